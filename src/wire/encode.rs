//! From effects to messages.
//!
//! Invariants: a command to a plug is never retained and always expires; our own state is always
//! retained and never expires. Nothing here decides.

use crate::control::effect::Effect;
use crate::control::plan::Switch;
use crate::time::Span;

use super::binding::TankBindings;

/// A message to publish.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Publish {
    /// Where.
    pub topic: String,
    /// What.
    pub payload: Vec<u8>,
    /// 0 or 1.
    pub qos: u8,
    /// Whether the broker keeps it for those who come later.
    pub retain: bool,
    /// The broker drops it when it could not be delivered in this time (MQTT 5).
    pub expiry: Option<Span>,
}

impl Publish {
    /// Our own state: kept, at least once.
    pub fn state(topic: String, payload: Vec<u8>) -> Self {
        Self { topic, payload, qos: 1, retain: true, expiry: None }
    }

    /// An answer: not kept, worthless after two minutes.
    pub fn answer(topic: String, payload: Vec<u8>) -> Self {
        Self { topic, payload, qos: 1, retain: false, expiry: Some(Span::from_minutes(2)) }
    }
}

/// The command that an effect wants published; `None` for effects that are not commands to plugs.
pub fn command(bindings: &TankBindings, effect: &Effect) -> Option<Publish> {
    if let Effect::SetLevel { output, percent, .. } = effect {
        let plug = bindings.plug(*output);
        let dimmer = plug.dimmer.as_ref()?;
        return Some(Publish {
            topic: dimmer.topic.clone(),
            payload: dimmer.filled(*percent).into_bytes(),
            qos: plug.command.qos,
            retain: false,
            expiry: Some(plug.command.expiry),
        });
    }
    let (output, to, once) = match effect {
        Effect::SwitchPlug { output, to, once, .. } => (*output, *to, *once),
        Effect::RefreshLease { output } => (*output, Switch::On, None),
        _ => return None,
    };
    let plug = bindings.plug(output);
    let (topic, payload) = match (once, &plug.lease) {
        // A dose without a countdown of its own is never sent.
        (Some(_), None) => return None,
        (Some(span), Some(_)) => plug.leased(span)?,
        (None, _) => plug.command(to),
    };
    Some(Publish {
        topic: topic.to_owned(),
        payload: payload.into_bytes(),
        // A dose is told once at most: what is lost is made up later, what comes twice cannot be taken back.
        qos: if once.is_some() { 0 } else { plug.command.qos },
        retain: false,
        expiry: Some(plug.command.expiry),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::ids::{Name, OutputId};
    use crate::wire::binding::{CommandBinding, LeaseBinding, PlugBinding};

    fn bindings(lease: Option<LeaseBinding>) -> TankBindings {
        let command = CommandBinding {
            topic: "lagoon/plug/heater/set".to_owned(),
            on: "ON".to_owned(),
            off: "OFF".to_owned(),
            qos: 1,
            expiry: Span::from_seconds(10),
        };
        let plug = PlugBinding { command, report: None, meter: None, alive: None, uptime: None, lease, dimmer: None };
        TankBindings { tank: Name::new("lagoon"), probes: vec![], plugs: vec![plug] }
    }

    fn switch(to: Switch) -> Effect {
        Effect::SwitchPlug { output: OutputId::new(0), to, attempt: 1, once: None, cause: "test".to_owned() }
    }

    #[test]
    fn commands_are_never_kept_and_always_expire() {
        let leased = LeaseBinding {
            payload: r#"{"on":true,"for":{seconds}}"#.to_owned(),
            lasts: Span::from_seconds(180),
            topic: Some("lagoon/plug/heater/timer".to_owned()),
        };
        for (lease, to, topic, payload) in [
            (None, Switch::On, "lagoon/plug/heater/set", "ON"),
            (None, Switch::Off, "lagoon/plug/heater/set", "OFF"),
            (Some(leased.clone()), Switch::On, "lagoon/plug/heater/timer", r#"{"on":true,"for":180}"#),
            (Some(leased), Switch::Off, "lagoon/plug/heater/set", "OFF"),
        ] {
            let publish = command(&bindings(lease), &switch(to)).expect("a command");
            assert_eq!((&*publish.topic, &*publish.payload), (topic, payload.as_bytes()));
            assert!(!publish.retain);
            assert_eq!(publish.expiry, Some(Span::from_seconds(10)));
            assert_eq!(publish.qos, 1);
        }
    }

    #[test]
    fn a_dose_is_told_once_at_most_and_only_with_a_countdown_of_its_own() {
        let lease = LeaseBinding { payload: "T{seconds}".to_owned(), lasts: Span::from_seconds(30), topic: None };
        let once = Some(Span::from_millis(11_250));
        let dose =
            Effect::SwitchPlug { output: OutputId::new(0), to: Switch::On, attempt: 1, once, cause: String::new() };
        let publish = command(&bindings(Some(lease)), &dose).expect("a command");
        assert_eq!((publish.payload.as_slice(), publish.qos, publish.retain), (&b"T12"[..], 0, false));
        assert_eq!(command(&bindings(None), &dose), None);
    }

    #[test]
    fn a_level_is_told_in_percent_or_as_a_part_and_only_to_a_dimmer() {
        let mut bindings = bindings(None);
        let level = |percent| Effect::SetLevel { output: OutputId::new(0), percent, cause: String::new() };
        assert_eq!(command(&bindings, &level(7)), None);
        for (payload, percent, expected) in
            [("{\"level\":{percent}}", 7, "{\"level\":7}"), ("{part}", 7, "0.07"), ("{part}", 100, "1.00")]
        {
            let dimmer = crate::wire::binding::DimmerBinding {
                topic: "p/level".to_owned(),
                payload: payload.to_owned(),
                report: None,
            };
            bindings.plugs[0].dimmer = Some(dimmer);
            let publish = command(&bindings, &level(percent)).expect("a command");
            assert_eq!(
                (publish.topic.as_str(), publish.payload.as_slice(), publish.retain),
                ("p/level", expected.as_bytes(), false)
            );
        }
    }

    #[test]
    fn a_refresh_is_the_lease_again() {
        let lease = LeaseBinding { payload: "T{seconds}".to_owned(), lasts: Span::from_millis(89_500), topic: None };
        let publish = command(&bindings(Some(lease)), &Effect::RefreshLease { output: OutputId::new(0) });
        assert_eq!(publish.expect("a command").payload, b"T90");
    }
}
