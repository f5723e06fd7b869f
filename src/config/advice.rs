//! Warnings: what a sound config still leaves to luck, with numbers from the tank's own litres and watts.
//!
//! Duty: say what is not fitted and so not protected, and what physics makes of heater, water and leases.
//! All temperatures and times here are engineering estimates (see `heat`), and are called so where printed.

use crate::control::ids::OutputId;
use crate::control::plan::{Fitted, OutputKind, OutputPlan, Switch};
use crate::time::Span;
use crate::units::Power;

use super::heat::{Lump, TOO_COLD, TOO_HOT, USUAL_CUTOFF};
use super::setup::{Setup, TankSetup};
use super::words::listing;

/// Something to think about. A config with warnings is sound.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Warning {
    /// What it is about: an output, a signal, `tank` or `daemon`.
    pub about: String,
    /// What to think about.
    pub text: String,
}

/// What is said of every tank: software replaces none of it.
pub const CAUTIONS: [&str; 5] = [
    "mains near salt water: a residual-current device on every circuit, a drip loop on every cable, plugs above the water line",
    "the heater's own thermostat at about 26.5 °C and a float switch on its own bracket stand whatever this daemon does",
    "a hold is not isolation: pull the plug before hands go near mains parts",
    "recommended, outside the software: a small second heater on its own thermostat at the set point less 1.5 K, on no plug: everything here fails towards a cold tank",
    "test it before animals depend on it, then monthly: `slackwater prove` goes through float, leak probe, thermometers, cut-off, plugs and the way of alarms, and remembers what is due",
];

/// What concerns the daemon as a whole.
pub fn of_daemon(setup: &Setup) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let mut warn = |text: &str| warnings.push(Warning { about: "daemon".to_owned(), text: text.to_owned() });
    for text in super::notify_advice::of_notify(&setup.daemon) {
        warn(&text);
    }
    let far = !matches!(setup.daemon.broker.host.as_str(), "localhost" | "127.0.0.1" | "::1");
    if far && setup.daemon.broker.tls.is_none() {
        warn(
            "the broker is on another machine and the way there is not encrypted: who can write there can switch plugs",
        );
    }
    if setup.tanks.len() > 1 && setup.daemon.usual_tank.is_none() {
        warn("no `usual_tank`: a command without --tank lists the tanks and changes nothing");
    }
    warnings
}

/// What concerns one tank.
pub fn of_tank(tank: &TankSetup) -> Vec<Warning> {
    let mut list = List { tank, warnings: Vec::new() };
    for (at, output) in tank.plan.outputs.iter().enumerate() {
        match output.kind {
            OutputKind::Heater => list.heater(OutputId::new(at), output),
            OutputKind::TopOff => list.top_off(OutputId::new(at), output),
            OutputKind::ReturnPump | OutputKind::Powerhead if output.plug.boots == Some(Switch::Off) => list.warn(
                &output.name,
                "its plug comes back off after a power cut: nothing moves the water until the daemon is back. Set the plug to come back on",
            ),
            _ => {}
        }
    }
    list.never_on();
    list.thermometers();
    list.evidence();
    list.not_fitted();
    list.plugs();
    list.warnings.extend(super::care::advice(tank).into_iter().map(|(about, text)| Warning { about, text }));
    list.warnings
}

struct List<'t> {
    tank: &'t TankSetup,
    warnings: Vec<Warning>,
}

impl List<'_> {
    fn warn(&mut self, about: &str, text: impl Into<String>) {
        self.warnings.push(Warning { about: about.to_owned(), text: text.into() });
    }

    /// The water with the pumps that warm it.
    fn lump(&self) -> Lump {
        let in_water = |kind| matches!(kind, OutputKind::ReturnPump | OutputKind::Powerhead | OutputKind::Skimmer);
        let pumps = self.tank.plan.outputs.iter().filter(|output| in_water(output.kind));
        Lump {
            litres: self.tank.plan.water.litres(),
            pump_watts: pumps.filter_map(|output| output.rating).map(Power::watts).sum(),
        }
    }

    fn heater(&mut self, id: OutputId, output: &OutputPlan) {
        let name = output.name.clone();
        let lump = self.lump();
        let target = self.tank.plan.thermostat.as_ref().map_or(25.0, |thermostat| thermostat.target);
        let cooling: Vec<_> = [20.0, 17.0]
            .iter()
            .map(|room| match lump.time_to_cool(target, TOO_COLD, *room) {
                Some(time) => format!("{:.1} h in a room of {room:.0} °C", time.hours()),
                None => format!("never in a room of {room:.0} °C"),
            })
            .collect();
        self.warn(
            &name,
            format!(
                "with heat lost the tank falls from {target:.1} to {TOO_COLD:.0} °C in {} (estimate)",
                listing(&cooling)
            ),
        );
        let Some(watts) = output.rating.map(Power::watts) else {
            self.warn(
                &name,
                "no `rating`: how fast it could overheat this tank is not known, and its lease is judged as for 300 W",
            );
            return;
        };
        let rise = lump.fastest_rise(watts);
        self.watts(&name, lump, target, watts);
        let cutoff = self.tank.facts.cutoffs.iter().filter(|cutoff| cutoff.heater == id);
        if let Some(cutoff) = cutoff.min_by(|a, b| a.limit.celsius().total_cmp(&b.limit.celsius())) {
            let left = lump.shortest_time(TOO_HOT - cutoff.limit.celsius(), watts).unwrap_or(Span::ZERO);
            let enough = if left >= Span::from_hours(1) {
                "time to pull the plug"
            } else {
                "little time to pull the plug: fit a smaller heater, or two of half the watts on two plugs"
            };
            self.warn(
                &name,
                format!(
                    "from the cut-off at {} to {TOO_HOT:.0} °C there are at least {left} with nothing lost (estimate): {enough}. The cut-off cannot open a welded relay",
                    cutoff.limit
                ),
            );
        }
        let coldest = target - lump.rest(0.0, watts);
        if coldest > 16.0 {
            self.warn(
                &name,
                format!("it holds {target:.1} °C down to a room of about {coldest:.0} °C, not below (estimate)"),
            );
        }
        match output.plug.lease {
            None => self.warn(&name, "no lease: it stays on if the daemon, the broker or the plug's radio dies while it heats; only its own thermostat ends that"),
            Some(lease) if lease.lasts < lease.refresh.times(3).plus(Span::from_seconds(30)) => self.warn(
                &name,
                format!("a broker outage of 30 s may let its lease of {} run out; a refresh every {} is rare for that", lease.lasts, lease.refresh),
            ),
            Some(lease) if lease.lasts > Span::from_minutes(5) => self.warn(
                &name,
                format!("a lease of {} is long: the water may rise by {:.2} K after everything else died", lease.lasts, rise * lease.lasts.hours()),
            ),
            Some(_) => {}
        }
        if !self.tank.facts.isolators.iter().any(|(of, _)| *of == id) {
            self.warn(
                &name,
                "no `isolator:`, a second plug upstream: what a welded relay heats only a person can stop",
            );
        }
        if output.plug.meter.is_none() {
            self.warn(
                &name,
                "no power meter: a welded relay or a dead element shows only when the water is warm or cold",
            );
        }
    }

    /// What its watts do to this water, and what the water needs.
    fn watts(&mut self, name: &str, lump: Lump, target: f64, watts: f64) {
        let rise = lump.fastest_rise(watts);
        let reaches: Vec<_> = [20.0, 24.0]
            .iter()
            .map(|room| {
                let after = |limit| match lump.time_to_warm(target, limit, *room, watts) {
                    Some(time) if target < limit => format!("after {:.1} h", time.hours()),
                    Some(_) => "at once".to_owned(),
                    None => "never".to_owned(),
                };
                format!(
                    "in a room of {room:.0} °C {:.0} °C {} and {TOO_HOT:.0} °C {}, levelling off near {:.0} °C",
                    USUAL_CUTOFF,
                    after(USUAL_CUTOFF),
                    after(TOO_HOT),
                    lump.rest(*room, watts)
                )
            })
            .collect();
        self.warn(
            name,
            format!(
                "welded on, its {watts:.0} W warm {:.0} L by at most {rise:.1} K/h: {} (estimate)",
                lump.litres,
                reaches.join("; ")
            ),
        );
        let (mild, cold) = (lump.watts_to_hold(target, 20.0), lump.watts_to_hold(target, 17.0));
        let fits = match watts {
            watts if watts < cold => ": too small for the colder one",
            // Twice of what the cold needs still recovers; more only cooks sooner.
            watts if watts > 2.0 * cold.max(5.0) => ": more than it needs, so a stuck relay cooks sooner",
            _ => "",
        };
        self.warn(
            name,
            format!(
                "{target:.1} °C takes {mild:.0} W in a room of 20 °C and {cold:.0} W in a room of 17 °C, and it has {watts:.0} W{fits} (estimate)"
            ),
        );
        self.warn(
            name,
            format!(
                "a second heater of {:.0} W or more on its own thermostat at {:.1} °C, on no plug, would hold {TOO_COLD:.0} °C in a room of 17 °C whenever this one stays off (estimate)",
                lump.watts_to_hold(TOO_COLD, 17.0).max(5.0),
                target - 1.5
            ),
        );
    }

    fn top_off(&mut self, id: OutputId, output: &OutputPlan) {
        let name = output.name.clone();
        let litres = self.tank.plan.water.litres();
        let reservoir = self.tank.facts.reservoirs.iter().find(|(of, _)| *of == id).map(|(_, volume)| volume.litres());
        if output.plug.lease.is_none() {
            self.warn(
                &name,
                format!(
                    "LEASE MISSING: if the daemon or the broker dies during a run, it pumps until its reservoir{} is empty. Only the size of the reservoir, and a float that cuts the pump's mains itself, end that",
                    reservoir.map(|reservoir| format!(" of {reservoir:.1} L")).unwrap_or_default()
                ),
            );
        }
        match reservoir {
            None => self.warn(&name, format!("no `reservoir`: keep it below {:.1} L, a tenth of the water, so that all of it at once is survivable", litres / 10.0)),
            Some(reservoir) => {
                // 35 psu diluted by so much fresh water, nothing running over.
                let diluted = 35.0 * litres / (litres + reservoir);
                let large = if reservoir > litres / 10.0 { ": too much, a tenth of the water is the most" } else { "" };
                self.warn(&name, format!("all {reservoir:.1} L of its reservoir at once would take 35 psu to {diluted:.1} psu{large}. Mind that the sump can hold it"));
            }
        }
        match self.tank.plan.top_offs.iter().find(|plan| plan.output == id) {
            None => self.warn(
                &name,
                "no `top_off:` speaks of it: no run of it is bounded, judged by its answer, or paid from a budget",
            ),
            Some(plan) => {
                if plan.salinity.is_none() {
                    self.warn(&name, "no `salinity` in its `top_off`: it adds fresh water however little salt there is, up to its budget");
                }
                if plan.steady.is_none() && matches!(plan.gauge, crate::control::plan::Gauge::Level { .. }) {
                    self.warn(
                        &name,
                        "no flow and no return pump: a level that moves for another reason is taken for its answer",
                    );
                }
            }
        }
        if !self.tank.facts.delivers.iter().any(|(of, _)| *of == id) {
            self.warn(&name, "no `delivers`: its lease is judged as for 500 mL/min");
        }
    }

    /// Outputs that nothing would ever turn on.
    fn never_on(&mut self) {
        let plan = &self.tank.plan;
        let looped = |id: OutputId| {
            plan.thermostat.iter().any(|loop_| loop_.heat.iter().chain(&loop_.cool).any(|side| side.output == id))
        };
        let wished = |id: OutputId| {
            let rule = plan.rules.iter().any(|rule| rule.wishes.contains(&(id, Switch::On)));
            let topped = plan.top_offs.iter().any(|top_off| top_off.output == id);
            let planned = plan.schedules.iter().any(|schedule| schedule.output == id)
                || plan.lights.iter().any(|light| light.output == id)
                || plan.dosing.iter().any(|dosing| dosing.output == id);
            rule || topped || planned
        };
        let idle: Vec<_> = plan
            .outputs
            .iter()
            .enumerate()
            .filter(|(at, output)| {
                output.rest == Switch::Off && !looped(OutputId::new(*at)) && !wished(OutputId::new(*at))
            })
            .map(|(_, output)| output.name.clone())
            .collect();
        for name in idle {
            self.warn(
                &name,
                "nothing ever turns it on: no loop, rule, schedule or curve speaks of it, and it rests off",
            );
        }
    }

    fn thermometers(&mut self) {
        let Some(thermostat) = &self.tank.plan.thermostat else {
            self.warn(
                "tank",
                "no `temperature:` loop: nothing heats or cools, and no temperature is too high or too low",
            );
            return;
        };
        let signal = &self.tank.plan.signals[thermostat.signal.index()];
        if signal.probes.len() == 1 {
            let name = signal.name.clone();
            self.warn(
                &name,
                "a single thermometer cannot see its own drift, and without it the heater stays off: fit a second one",
            );
        }
    }

    /// Evidence that is slow to be missed, and votes that cry wolf.
    fn evidence(&mut self) {
        let (plan, facts) = (&self.tank.plan, &self.tank.facts);
        let slow = |signal: &crate::control::ids::SignalId| {
            plan.signals[signal.index()]
                .probes
                .iter()
                .any(|probe| plan.probes[probe.index()].stale_after > Span::from_minutes(10))
        };
        let slow: Vec<_> = facts.high_floats.iter().chain(&facts.low_floats).filter(|signal| slow(signal)).collect();
        let slow: Vec<_> = slow.into_iter().map(|signal| plan.signals[signal.index()].name.clone()).collect();
        let water = plan.thermostat.as_ref().map(|loop_| &plan.signals[loop_.signal.index()]);
        let narrow = water.and_then(|signal| {
            signal.disagree.filter(|disagree| disagree.by < 0.4).map(|disagree| (signal.name.clone(), disagree.by))
        });
        for name in slow {
            self.warn(&name, "a float that may be silent for more than 10 min may be dead for as long: let it speak every minute, `stale_after: 3 min`");
        }
        if let Some((name, by)) = narrow {
            self.warn(&name, format!("`disagree` by {by:.2} K cries wolf: display and sump differ by about 0.1 K while a heater runs, and probes by 0.3 K"));
        }
    }

    fn has(&self, kind: OutputKind) -> bool {
        self.tank.plan.outputs.iter().any(|output| output.kind == kind)
    }

    fn not_fitted(&mut self) {
        let facts = &self.tank.facts;
        let (no_low, no_high) = (facts.low_floats.is_empty() && facts.level.is_none(), facts.high_floats.is_empty());
        let (no_flow, no_leak) = (facts.flow.is_none(), facts.leaks.is_empty());
        let stops_at_low = self
            .tank
            .plan
            .interlocks
            .iter()
            .any(|interlock| self.stops_heater_at_low_water(interlock.cause, &interlock.effects));
        if self.has(OutputKind::Heater) || self.has(OutputKind::ReturnPump) {
            if no_low {
                self.warn("tank", "no level and no low float: a heater in air and a pump running dry are not noticed");
            } else if self.has(OutputKind::Heater) && !stops_at_low {
                self.warn("tank", "low water blocks the heater's next start, and no interlock stops a heater that runs: write one with `off: [heater]`");
            }
        }
        if self.has(OutputKind::TopOff) && no_high {
            self.warn("tank", "no high float: only the level stops the top-off, and one lying probe floods the tank");
        }
        if self.has(OutputKind::ReturnPump) && no_flow {
            let metered = |output: &OutputPlan| output.kind == OutputKind::ReturnPump && output.plug.meter.is_some();
            let pump = if self.tank.plan.outputs.iter().any(metered) { "watts" } else { "report" };
            let level = if self.tank.facts.level.is_some() { " and from the level" } else { "" };
            let missed = match (pump, level) {
                ("report", "") => "a blocked or dead pump is not noticed",
                _ => "a pump that turns and moves no water is noticed late or not at all",
            };
            self.warn(
                "tank",
                format!("no flow meter: flow is taken from the return pump's {pump}{level}, and {missed}"),
            );
        } else if self.has(OutputKind::ReturnPump) && self.tank.facts.level.is_none() {
            self.warn(
                "tank",
                "flow has two witnesses, meter and return pump: where they contradict nothing that needs flow starts. A `level:` would outvote the wrong one",
            );
        }
        if no_leak {
            self.warn("tank", "no leak probe: water on the floor is found by a person");
        }
        if !self.has(OutputKind::Powerhead) {
            self.warn(
                "tank",
                "no powerhead: when the return pump stops, nothing brings oxygen; keep a battery air pump ready",
            );
        }
    }

    fn stops_heater_at_low_water(
        &self,
        cause: crate::control::ids::ConditionId,
        effects: &[(OutputId, Switch)],
    ) -> bool {
        use crate::control::plan::{Condition, Side};
        let plan = &self.tank.plan;
        let heater = |(output, to): &(OutputId, Switch)| {
            *to == Switch::Off && plan.outputs[output.index()].kind == OutputKind::Heater
        };
        let mut found = false;
        super::scope::walk(&plan.conditions, cause, &mut |condition| {
            found |= match condition {
                Condition::Contact { signal, wet: false, .. } => self.tank.facts.low_floats.contains(signal),
                Condition::Compare { signal, side: Side::Below, .. } => self.tank.facts.level == Some(*signal),
                _ => false,
            };
        });
        found && effects.iter().any(heater)
    }

    fn plugs(&mut self) {
        let outputs = &self.tank.plan.outputs;
        let named = |lacks: &dyn Fn(&OutputPlan) -> bool| {
            let names: Vec<_> =
                outputs.iter().filter(|output| lacks(output)).map(|output| output.name.clone()).collect();
            (!names.is_empty()).then(|| listing(&names))
        };
        let no_report = named(&|output| output.plug.report == Fitted::NotFitted);
        let no_meter = named(&|output| {
            output.plug.meter.is_none() && output.plug.report == Fitted::Fitted && output.kind != OutputKind::Heater
        });
        let no_alive = named(&|output| output.plug.alive == Fitted::NotFitted && output.plug.report == Fitted::Fitted);
        let no_boots = named(&|output| output.plug.boots.is_none());
        if let Some(names) = no_report {
            self.warn("plugs", format!("{names}: no report, so what is commanded is never proven; a lost command, a person at the button and a stuck relay are not noticed, and a hold cannot prove its pause"));
        }
        if let Some(names) = no_meter {
            self.warn("plugs", format!("{names}: no power meter; the relay's report is the only proof, and a welded relay, a motor that stands still and too much current are not noticed"));
        }
        let no_watts = named(&|output| {
            let meter = output.plug.meter.as_ref();
            output.rating.is_none() && meter.is_some_and(|meter| meter.running.is_none())
        });
        if let Some(names) = no_watts {
            self.warn("plugs", format!("{names}: a power meter and no `rating`: nothing is too much there before its watts are learned and confirmed (`slackwater confirm OUTPUT watts`)"));
        }
        if let Some(names) = no_alive {
            self.warn(
                "plugs",
                format!("{names}: no sign of life; an absent plug shows only when a command is not proven"),
            );
        }
        if let Some(names) = no_boots {
            self.warn("plugs", format!("{names}: nothing says what the plug does after a power cut; set heaters and top-offs to off, pumps to on, and write `boots:`"));
        }
    }
}
