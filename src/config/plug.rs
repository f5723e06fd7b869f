//! Plugs: how an output is commanded and proven, and how it lets go when nobody refreshes it.
//!
//! A plug may be `like` a style of `shared.yaml`: what the plug does not say comes from there, with `{at}`
//! filled in. Safety: a command is never retained; a lease ends long before harm (a tenth of the time to
//! it) and outlasts three missed refreshes; no lease ever stops a pump.

use crate::control::plan::{DimmerPlan, Fitted, LeasePlan, MeterPlan, OutputKind, PlugPlan};
use crate::time::Span;
use crate::units::{Power, Quantity};
use crate::wire::binding::{
    CommandBinding, DimmerBinding, LeaseBinding, MeterBinding, PlugBinding, UptimeBinding, WordBinding,
};

use super::heat::Lump;
use super::kinds::usual_lease;
use super::probe::unit;
use super::read::{Fields, Item};
use super::topic::{Owners, pointer, topic, words};

const KEYS: [&str; 11] =
    ["like", "at", "command", "report", "meter", "alive", "uptime", "lease", "boots", "prove_within", "dimmer"];
const STYLE_KEYS: [&str; 8] = ["command", "report", "meter", "alive", "uptime", "lease", "prove_within", "dimmer"];

/// What decides about a plug besides its own lines.
pub(super) struct Context<'c, 'a> {
    pub(super) kind: OutputKind,
    pub(super) rating: Option<Power>,
    pub(super) litres_per_minute: Option<f64>,
    pub(super) lump: Lump,
    pub(super) root: &'c str,
    pub(super) styles: &'c [(String, Item<'a>)],
    pub(super) owners: &'c Owners,
}

/// A plug as read.
pub(super) struct Plug {
    pub(super) plan: PlugPlan,
    pub(super) binding: PlugBinding,
    /// Whether the file says in words that there is no lease.
    pub(super) lease_declined: bool,
}

/// Keys of the plug itself, then of its style.
struct Both<'a> {
    own: Fields<'a>,
    style: Option<Fields<'a>>,
}

impl<'a> Both<'a> {
    fn get(&self, key: &str) -> Option<Item<'a>> {
        self.own.get(key).or_else(|| self.style.as_ref()?.get(key))
    }
}

/// Checks the keys of a style; its values are read by each plug that uses it.
pub(super) fn check_style(item: &Item) {
    let Some(fields) = item.fields(&STYLE_KEYS) else { return };
    let part = |key: &str, keys: &[&'static str]| {
        if let Some(item) = fields.get(key).filter(|item| !item.is_word("none")) {
            item.fields(keys);
        }
    };
    part("command", &COMMAND_KEYS);
    part("report", &REPORT_KEYS);
    part("meter", &METER_KEYS);
    part("alive", &ALIVE_KEYS);
    part("uptime", &UPTIME_KEYS);
    part("lease", &LEASE_KEYS);
    part("dimmer", &DIMMER_KEYS);
}

/// Reads a plug. `None`: its command could not be read, which is reported.
pub(super) fn plug(item: &Item, context: &Context) -> Option<Plug> {
    let own = item.fields(&KEYS)?;
    let style = own.get("like").and_then(|like| {
        let names: Vec<&str> = context.styles.iter().map(|(name, _)| name.as_str()).collect();
        like.one_of("plug style", &names).map(|at| &context.styles[at].1)
    });
    let style = style.filter(|style| style.is_map()).map(|style| Fields::checked(style.clone()));
    let place = own.get("at");
    let asks = |style: &Fields| {
        let topic = style.get("command").filter(Item::is_map).and_then(|command| Fields::checked(command).get("topic"));
        topic.is_some_and(|topic| topic.text().is_some_and(|text| text.contains("{at}")))
    };
    if place.is_none() && style.as_ref().is_some_and(asks) {
        own.need("at", "lagoon/plug/heater");
        return None;
    }
    let at = place.and_then(|item| topic(&item, None, context.root));
    let at = at.as_deref();
    let both = Both { own, style };
    let command = both.get("command").or_else(|| {
        both.own.need("command", "{ topic: tank/plug/set, on: \"ON\", off: \"OFF\" }");
        None
    });
    let command = command.and_then(|command| command_of(&command, at, context, item));
    let report = both.get("report").filter(|item| !item.is_word("none"));
    let report = report.and_then(|report| word_topic(&report, at, context, &REPORT_KEYS, ["on", "off"]));
    let alive = both.get("alive").filter(|item| !item.is_word("none"));
    let alive = alive.and_then(|alive| word_topic(&alive, at, context, &ALIVE_KEYS, ["yes", "no"]));
    let meter = both.get("meter").filter(|item| !item.is_word("none")).and_then(|meter| meter_of(&meter, at, context));
    let uptime = both.get("uptime").filter(|item| !item.is_word("none"));
    let uptime = uptime.and_then(|uptime| uptime_of(&uptime, at, context));
    let (lease, lease_declined) = lease_of(&both, at, context, item);
    let dimmer = both.get("dimmer").filter(|item| !item.is_word("none"));
    let dimmer = dimmer.and_then(|dimmer| dimmer_of(&dimmer, at, context, item));
    let prove = both.get("prove_within").and_then(|item| item.span(Span::from_seconds(1), Span::from_minutes(5)));
    let plan = PlugPlan {
        report: if report.is_some() { Fitted::Fitted } else { Fitted::NotFitted },
        meter: meter.as_ref().map(|(plan, _)| plan.clone()),
        alive: if alive.is_some() { Fitted::Fitted } else { Fitted::NotFitted },
        uptime: if uptime.is_some() { Fitted::Fitted } else { Fitted::NotFitted },
        lease: lease.as_ref().map(|(plan, _)| *plan),
        boots: both.own.get("boots").and_then(|item| item.switch()),
        prove_within: prove.unwrap_or(Span::from_seconds(10)),
        dimmer: dimmer.as_ref().map(|dimmer| DimmerPlan {
            reports: if dimmer.report.is_some() { Fitted::Fitted } else { Fitted::NotFitted },
        }),
    };
    let binding = PlugBinding {
        command: command?,
        report,
        meter: meter.map(|(_, binding)| binding),
        alive,
        uptime,
        lease: lease.map(|(_, binding)| binding),
        dimmer,
    };
    Some(Plug { plan, binding, lease_declined })
}

const COMMAND_KEYS: [&str; 6] = ["topic", "on", "off", "qos", "expires", "retain"];

fn command_of(item: &Item, at: Option<&str>, context: &Context, plug: &Item) -> Option<CommandBinding> {
    let fields = item.fields(&COMMAND_KEYS)?;
    if let Some(retain) = fields.get("retain")
        && retain.yes_no() == Some(true)
    {
        retain.wrong(
            "a retained command is refused: the broker would replay an old `on` at every reconnect\nremove `retain`",
        );
    }
    let place = fields.need("topic", "tank/plug/set");
    let topic = place.as_ref().and_then(|item| topic(item, at, context.root));
    if let (Some(place), Some(topic)) = (&place, &topic) {
        context.owners.command(place, topic, plug);
        context.owners.command_is_not_heard(place, topic);
    }
    let payload = |key: &str, usual: &str| fields.need(key, usual).and_then(|item| item.text().map(str::to_owned));
    let (on, off) = (payload("on", "\"ON\""), payload("off", "\"OFF\""));
    if on.is_some() && on == off {
        item.wrong("on and off are the same payload");
    }
    let qos = fields.get("qos").and_then(|item| item.whole(0, 1)).unwrap_or(1);
    let expiry = fields.span_or("expires", Span::from_seconds(1), Span::from_minutes(1), Span::from_seconds(10));
    Some(CommandBinding { topic: topic?, on: on?, off: off?, qos: u8::from(qos == 1), expiry })
}

const REPORT_KEYS: [&str; 4] = ["topic", "pointer", "on", "off"];
const ALIVE_KEYS: [&str; 4] = ["topic", "pointer", "yes", "no"];

fn word_topic(
    item: &Item,
    at: Option<&str>,
    context: &Context,
    keys: &[&'static str],
    [yes, no]: [&str; 2],
) -> Option<WordBinding> {
    let fields = item.fields(keys)?;
    let topic = heard(&fields, at, context);
    let pointer = fields.get("pointer").map(|item| pointer(&item));
    let on = fields.need(yes, "\"1\"").map(|item| words(&item)).unwrap_or_default();
    let off = fields.need(no, "\"0\"").map(|item| words(&item)).unwrap_or_default();
    if let Some(both) = on.iter().find(|word| off.contains(word)) {
        item.wrong(format!("`{both}` means both `{yes}` and `{no}`"));
    }
    Some(WordBinding { topic: topic?, pointer: pointer.flatten(), on, off })
}

fn heard(fields: &Fields, at: Option<&str>, context: &Context) -> Option<String> {
    let place = fields.need("topic", "tank/plug/state")?;
    let topic = topic(&place, at, context.root)?;
    context.owners.heard(&place, &topic);
    Some(topic)
}

const METER_KEYS: [&str; 6] = ["topic", "pointer", "unit", "running", "stale_after", "plug_limit"];

fn meter_of(item: &Item, at: Option<&str>, context: &Context) -> Option<(MeterPlan, MeterBinding)> {
    let fields = item.fields(&METER_KEYS)?;
    let topic = heard(&fields, at, context);
    let pointer = fields.get("pointer").and_then(|item| pointer(&item));
    let unit = fields.need("unit", "W").and_then(|item| unit(&item, Quantity::Power));
    let running = fields.get("running").and_then(|item| item.parsed::<Power>());
    let plug_limit = fields.get("plug_limit").and_then(|item| item.parsed::<Power>());
    let stale_after = fields.span_or("stale_after", Span::from_seconds(2), Span::from_hours(1), Span::from_seconds(60));
    Some((MeterPlan { stale_after, running, plug_limit }, MeterBinding { topic: topic?, pointer, unit: unit? }))
}

const DIMMER_KEYS: [&str; 3] = ["topic", "payload", "report"];
const LEVEL_KEYS: [&str; 3] = ["topic", "pointer", "unit"];

fn dimmer_of(item: &Item, at: Option<&str>, context: &Context, plug: &Item) -> Option<DimmerBinding> {
    let fields = item.fields(&DIMMER_KEYS)?;
    let place = fields.need("topic", "tank/light/level/set");
    let told = place.as_ref().and_then(|item| topic(item, at, context.root));
    if let (Some(place), Some(told)) = (&place, &told) {
        context.owners.command(place, told, plug);
        context.owners.command_is_not_heard(place, told);
    }
    let written = fields.need("payload", "'{\"level\":{percent}}'");
    let payload = written.as_ref().and_then(Item::text).map(str::to_owned);
    if let (Some(item), Some(payload)) = (&written, &payload)
        && !payload.contains("{percent}")
        && !payload.contains("{part}")
    {
        item.wrong("the payload does not say where the level stands\nwrite `{percent}` for 0 to 100, or `{part}` for 0 to 1, into it");
    }
    let report = fields.get("report").and_then(|item| {
        let fields = item.fields(&LEVEL_KEYS)?;
        let topic = heard(&fields, at, context);
        let pointer = fields.get("pointer").and_then(|item| pointer(&item));
        let unit = fields.need("unit", "%").and_then(|item| unit(&item, Quantity::Ratio));
        Some(MeterBinding { topic: topic?, pointer, unit: unit? })
    });
    Some(DimmerBinding { topic: told?, payload: payload?, report })
}

const UPTIME_KEYS: [&str; 2] = ["topic", "pointer"];

fn uptime_of(item: &Item, at: Option<&str>, context: &Context) -> Option<UptimeBinding> {
    let fields = item.fields(&UPTIME_KEYS)?;
    let topic = heard(&fields, at, context);
    let pointer = fields.get("pointer").and_then(|item| pointer(&item));
    Some(UptimeBinding { topic: topic?, pointer })
}

const LEASE_KEYS: [&str; 4] = ["payload", "lasts", "refresh", "topic"];

fn lease_of(
    both: &Both,
    at: Option<&str>,
    context: &Context,
    plug: &Item,
) -> (Option<(LeasePlan, LeaseBinding)>, bool) {
    let own = both.own.get("lease");
    if own.as_ref().is_some_and(|lease| lease.is_word("none")) {
        return (None, true);
    }
    let style = both.style.as_ref().and_then(|style| style.get("lease")).filter(|lease| !lease.is_word("none"));
    let Some(place) = own.clone().or_else(|| style.clone()) else { return (None, false) };
    let usual = usual_lease(context.kind);
    if context.kind.is_life_support() {
        if let Some(own) = own {
            own.wrong("a lease on a pump is refused: a lost broker or a dead daemon would stop life support\nwrite `lease: none`");
        }
        return (None, false);
    }
    // A style's lease is for whatever hangs on the plug; where stopping helps nobody it is left out.
    if usual.is_none() && own.is_none() {
        return (None, false);
    }
    let own = own.and_then(|item| item.fields(&LEASE_KEYS));
    let style = style.filter(Item::is_map).map(Fields::checked);
    let get = |key: &str| own.as_ref().and_then(|f| f.get(key)).or_else(|| style.as_ref().and_then(|f| f.get(key)));
    let longest = whole_seconds(longest(context));
    let usual = usual.unwrap_or(Span::from_hours(1)).min(longest);
    let lasts = match get("lasts") {
        Some(item) => item.span(Span::from_seconds(3), Span::from_hours(24)).and_then(|lasts| {
            if lasts > longest {
                item.wrong(format!(
                    "a lease of `{lasts}` outlasts what it guards against: {}\nwrite `lasts: {longest}` or less",
                    harm(context)
                ));
                return None;
            }
            Some(lasts)
        }),
        None => Some(usual),
    };
    let refresh = get("refresh").and_then(|item| {
        let refresh = item.span(Span::from_seconds(1), Span::from_hours(8))?;
        if let Some(lasts) = lasts.filter(|lasts| refresh.times(3) > *lasts) {
            item.wrong(format!(
                "a lease of `{lasts}` refreshed every `{refresh}` does not outlast three missed refreshes\nwrite `refresh: {}` or less",
                whole_seconds(lasts.part(4))
            ));
        }
        Some(refresh)
    });
    let lasts = lasts.unwrap_or(usual);
    let topic = get("topic").and_then(|item| {
        let topic = topic(&item, at, context.root)?;
        context.owners.command(&item, &topic, plug);
        context.owners.command_is_not_heard(&item, &topic);
        Some(topic)
    });
    let Some(payload) = get("payload") else {
        place.wrong("`payload` is missing\nwrite the payload that switches on for a while, such as `'{\"on\":true,\"for\":{seconds}}'`");
        return (None, false);
    };
    let text = payload.text().unwrap_or_default();
    if !text.is_empty() && !text.contains("{seconds}") {
        payload.wrong(format!("`{text}` does not say for how long\nwrite `{{seconds}}` where the countdown stands"));
    }
    let binding = LeaseBinding { payload: text.to_owned(), lasts, topic };
    let refresh = refresh.unwrap_or(whole_seconds(lasts.part(4)));
    (Some((LeasePlan { lasts, refresh }, binding)), false)
}

fn whole_seconds(span: Span) -> Span {
    Span::from_seconds((span.millis() / 1000).max(1))
}

/// The longest lease: a tenth of the time in which the output could do its worst.
fn longest(context: &Context) -> Span {
    match context.kind {
        OutputKind::Heater => context.lump.longest_heater_lease(context.rating.map_or(300.0, Power::watts)),
        OutputKind::TopOff => context.lump.longest_top_off_lease(context.litres_per_minute.unwrap_or(0.5)),
        OutputKind::Doser => Span::from_seconds(60),
        OutputKind::Chiller => Span::from_minutes(30),
        OutputKind::Fan => Span::from_hours(2),
        OutputKind::Light => Span::from_hours(4),
        _ => Span::from_hours(24),
    }
}

fn harm(context: &Context) -> &'static str {
    match context.kind {
        OutputKind::Heater => "a tenth of the time in which this heater takes this water from 26 to 28 °C",
        OutputKind::TopOff => "a tenth of the time in which this pump takes 1 g/kg off the salinity",
        OutputKind::Doser => "a dose cannot be taken back",
        OutputKind::Chiller => "a compressor that runs on cools the tank below its limit",
        OutputKind::Fan => "a fan that runs on evaporates the top-off water",
        OutputKind::Light => "a light that stays on takes the night from the animals",
        _ => "nobody would notice for a day",
    }
}
