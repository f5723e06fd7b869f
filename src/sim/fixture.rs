//! The two tanks of the project's scenario, built by hand for the tests of the simulator: invented data.

use crate::control::TankPlan;
use crate::control::ids::Name;
use crate::control::plan::{
    Calibration, Fitted, LeasePlan, MeterPlan, OutputKind, OutputPlan, PlugPlan, ProbePlan, Switch,
};
use crate::time::{Now, Span, Steady, Wall, Zone};
use crate::units::{Power, Quantity, Volume, units_of};
use crate::wire::binding::{
    CommandBinding, LeaseBinding, MeterBinding, PlugBinding, Pointer, ProbeBinding, ProbeForm, TankBindings,
    WordBinding,
};

use super::physics::{Facts, Room};
use super::{Daemon, Model, Surroundings, World};

pub(super) struct Tank {
    pub plan: TankPlan,
    pub bindings: TankBindings,
}

/// 2026-06-01 12:00 UTC by the wall, a minute after the start of the steady clock.
pub(super) const START: Now =
    Now { steady: Steady::from_millis(60_000), wall: Wall::from_unix_millis(1_780_315_200_000) };

pub(super) fn words(text: &str) -> Vec<String> {
    vec![text.to_owned()]
}

impl Tank {
    fn new(name: &str, litres: f64) -> Self {
        let name = Name::new(name);
        let plan = TankPlan {
            name: name.clone(),
            title: String::new(),
            zone: Zone::UTC,
            water: Volume::from_litres(litres).unwrap(),
            probes: vec![],
            signals: vec![],
            outputs: vec![],
            conditions: vec![],
            thermostat: None,
            top_offs: vec![],
            dosing: Vec::new(),
            drain_back: None,
            rules: vec![],
            schedules: vec![],
            lights: vec![],
            interlocks: vec![],
            holds: vec![],
            mixing_bin: crate::control::plan::MixingBin::default(),
            proofs: crate::control::plan::ProofPlan::default(),
            alarms: vec![],
            drift: crate::control::plan::drift::DriftPlan::default(),
        };
        Self { plan, bindings: TankBindings { tank: name, probes: vec![], plugs: vec![] } }
    }

    fn probe(&mut self, name: &str, quantity: Quantity, topic: &str, pointer: Option<&str>) {
        self.plan.probes.push(ProbePlan {
            name: name.into(),
            quantity,
            conductivity: None,
            calibration: Calibration::NONE,
            least: -250.0,
            greatest: 250.0,
            stale_after: Span::from_seconds(60),
            fastest: None,
            stuck_after: None,
        });
        self.bindings.probes.push(ProbeBinding {
            topic: topic.into(),
            pointer: pointer.map(|token| Pointer(words(token))),
            form: match quantity {
                Quantity::Contact => ProbeForm::Contact { wet: words("1"), dry: words("0") },
                quantity => ProbeForm::Number(units_of(quantity).next().unwrap()),
            },
            stamped: None,
        });
    }

    fn output(&mut self, name: &str, kind: OutputKind, watts: f64, boots: Switch, lease: Option<u64>) {
        let at = format!("{}/plug/{name}", self.plan.name);
        let lease = lease.map(Span::from_seconds);
        self.plan.outputs.push(OutputPlan {
            name: name.into(),
            kind,
            rating: Some(Power::from_watts(watts).unwrap()),
            rest: kind.rest(),
            least_on: Span::ZERO,
            least_off: Span::ZERO,
            permissives: vec![],
            longest_force: Span::from_minutes(30),
            plug: PlugPlan {
                report: Fitted::Fitted,
                meter: Some(MeterPlan { stale_after: Span::from_seconds(30), running: None, plug_limit: None }),
                alive: Fitted::Fitted,
                uptime: Fitted::NotFitted,
                lease: lease.map(|lasts| LeasePlan { lasts, refresh: lasts.part(4) }),
                boots: Some(boots),
                prove_within: Span::from_seconds(5),
                dimmer: None,
            },
        });
        let word = |leaf: &str, on: &str, off: &str| WordBinding {
            topic: format!("{at}/{leaf}"),
            pointer: None,
            on: words(on),
            off: words(off),
        };
        self.bindings.plugs.push(PlugBinding {
            command: CommandBinding {
                topic: format!("{at}/set"),
                on: "ON".to_owned(),
                off: "OFF".to_owned(),
                qos: 1,
                expiry: Span::from_seconds(10),
            },
            report: Some(word("relay", "ON", "OFF")),
            meter: Some(MeterBinding {
                topic: format!("{at}/meter"),
                pointer: Some(Pointer(words("w"))),
                unit: units_of(Quantity::Power).next().unwrap(),
            }),
            alive: Some(word("alive", "1", "0")),
            uptime: None,
            dimmer: None,
            lease: lease.map(|lasts| LeaseBinding {
                payload: r#"{"on":true,"for":{seconds}}"#.to_owned(),
                lasts,
                topic: None,
            }),
        });
    }
}

/// The lagoon and the quarantine tub.
pub(super) fn tanks() -> Vec<Tank> {
    let mut lagoon = Tank::new("lagoon", 92.0);
    lagoon.probe("display-temp", Quantity::Temperature, "lagoon/display/climate", Some("temp"));
    lagoon.probe("sump-temp", Quantity::Temperature, "lagoon/sump/temp", None);
    lagoon.probe("sump-level", Quantity::Level, "lagoon/sump/level", None);
    lagoon.probe("high-float", Quantity::Contact, "lagoon/sump/float-high", None);
    lagoon.probe("low-float", Quantity::Contact, "lagoon/sump/float-low", None);
    lagoon.probe("salinity", Quantity::Salinity, "lagoon/display/salinity", None);
    lagoon.probe("return-flow", Quantity::Flow, "lagoon/return/flow", None);
    lagoon.probe("room-temp", Quantity::Temperature, "room/climate", Some("temp"));
    lagoon.probe("floor-leak", Quantity::Contact, "room/floor-leak", None);
    lagoon.output("heater", OutputKind::Heater, 100.0, Switch::Off, Some(180));
    lagoon.output("return-pump", OutputKind::ReturnPump, 12.0, Switch::On, None);
    lagoon.output("powerhead", OutputKind::Powerhead, 9.0, Switch::On, None);
    lagoon.output("top-off", OutputKind::TopOff, 5.0, Switch::Off, Some(30));
    let mut tub = Tank::new("quarantine", 40.0);
    tub.probe("water-temp", Quantity::Temperature, "quarantine/temp", None);
    tub.probe("high-float", Quantity::Contact, "quarantine/float-high", None);
    tub.probe("low-float", Quantity::Contact, "quarantine/float-low", None);
    tub.probe("floor-leak", Quantity::Contact, "room/floor-leak", None);
    tub.output("heater", OutputKind::Heater, 50.0, Switch::Off, None);
    tub.output("filter", OutputKind::Powerhead, 5.0, Switch::On, None);
    vec![lagoon, tub]
}

/// A world of them; the lagoon is the usual tank, the room is 21 °C and steady.
pub(super) fn world(seed: u64) -> World {
    let surroundings = Surroundings {
        room: Room::steady(21.0),
        usual_tank: Some("lagoon".to_owned()),
        daemon: Daemon::Played,
        ..Surroundings::default()
    };
    let tanks = tanks();
    let models: Vec<Model<'_>> = tanks
        .iter()
        .map(|tank| Model { plan: &tank.plan, bindings: &tank.bindings, facts: Facts::default() })
        .collect();
    World::new(&models, seed, surroundings, START)
}
