//! The report of a rehearsal: in words for people, in JSON for machines.

use std::fmt::Write as _;

use crate::config::Setup;
use crate::sim::rehearsal::{Entry, FaultStory, Rehearsal, Report, Source, TankStory};
use crate::time::Span;

use super::Rehearse;

/// Lines of the story that people are shown; `--json` has all.
const SHOWN: usize = 60;

/// What the model is, and what it is not.
pub const FOOTER: &str = "\
limits of the model
  Two well mixed bodies of water a tank, figures by rule of thumb: it shows whether the config holds together, not how
  warm your tank gets. Alkalinity is a sum of doses, water changes and what lives there, and its pH no carbonate
  system; animals, sheath temperatures and a plug that burns are not modelled. Messages take no time unless a fault
  delays them; a power cut leaves broker and daemon running; a save that nobody waits for is on disk a second later.
  The water is looked at once a minute. What comes after a fault stands with it, whatever caused it. A tank that is safe here is not
  proven safe in life: the residual-current device, drip loops, the heater's own thermostat and the float switch come
  first.
";

/// Time since the start: `  1 d 02:03:04`.
fn clock(at: Span) -> String {
    let seconds = at.millis() / 1000;
    let (days, rest) = (seconds / 86_400, seconds % 86_400);
    format!("{days:>3} d {:02}:{:02}:{:02}", rest / 3600, rest / 60 % 60, rest % 60)
}

/// The whole report.
pub fn text(asked: &Rehearse, setup: &Setup, run: &Rehearsal, report: &Report) -> String {
    let mut out = String::new();
    let names: Vec<&str> = setup.tanks.iter().map(|tank| &*tank.plan.name).collect();
    let _ = writeln!(
        out,
        "rehearsal of {} for {}, simulated; seed {}, from {}\n",
        names.join(" and "),
        report.passed,
        report.seed,
        asked.start
    );
    if report.faults.is_empty() {
        out.push_str("no fault was asked for\n");
    }
    for story in &report.faults {
        fault(&mut out, &names, story);
    }
    for story in &report.tanks {
        tank(&mut out, story);
    }
    happened(&mut out, &names, run);
    violations(&mut out, asked, run, report);
    let _ = writeln!(
        out,
        "\n{} messages in, {} commands out, fingerprint {}\n\n{FOOTER}",
        report.messages, report.commands, report.fingerprint
    );
    // One line feed at the end.
    out.truncate(out.trim_end().len());
    out.push('\n');
    out
}

fn fault(out: &mut String, names: &[&str], story: &FaultStory) {
    let _ = writeln!(out, "fault: {}", story.fault);
    match &story.noticed {
        Some(entry) => {
            let _ = writeln!(out, "  noticed after {}: {}", entry.at.minus(story.at), line(names, entry));
        }
        None => out.push_str("  the daemon noticed nothing\n"),
    }
    match &story.alarm {
        Some((alarm, at)) => {
            let _ = writeln!(out, "  first alarm after {}: {alarm}", at.minus(story.at));
        }
        None => out.push_str("  no alarm came\n"),
    }
    for (at, entry) in story.did.iter().enumerate() {
        let head = if at == 0 { "did" } else { "   " };
        let _ = writeln!(out, "  {head}  {:>10}  {}", format!("+{}", entry.at.minus(story.at)), line(names, entry));
    }
    for water in &story.water {
        let _ = writeln!(
            out,
            "  the water of {} saw {:.2} to {:.2} °C, {:.1} to {:.1} mm, salinity {:.2} to {:.2}, {:.2} L on the floor",
            water.tank,
            water.celsius.0,
            water.celsius.1,
            water.level.0,
            water.level.1,
            water.salinity.0,
            water.salinity.1,
            water.floor_litres
        );
    }
    out.push('\n');
}

fn tank(out: &mut String, story: &TankStory) {
    let water = &story.water;
    let _ = writeln!(out, "{}, in truth", water.tank);
    let _ = writeln!(out, "  temperature   {:.2} to {:.2} °C", water.celsius.0, water.celsius.1);
    let _ = writeln!(out, "  salinity      {:.2} to {:.2}", water.salinity.0, water.salinity.1);
    let _ = writeln!(out, "  alkalinity    {:.2} to {:.2} dKH", story.alkalinity.0, story.alkalinity.1);
    let _ = writeln!(out, "  calcium       {:.1} to {:.1} mg/L", story.calcium.0, story.calcium.1);
    let _ = writeln!(out, "  level         {:+.1} to {:+.1} mm", water.level.0, water.level.1);
    let _ = writeln!(out, "  evaporated    {:.2} L, topped off {:.2} L", story.evaporated, story.topped_off);
    let _ = writeln!(out, "  on the floor  {:.2} L", water.floor_litres);
    let _ = writeln!(out, "  without flow  {} at most", story.longest_still);
    let works = story.works.iter().map(|(output, share)| format!("{output} {:.1} %", 100.0 * share));
    let _ = writeln!(out, "  at work       {}", works.collect::<Vec<_>>().join(", "));
    if story.alarms.is_empty() {
        out.push_str("  alarms        none\n");
    }
    for (at, (alarm, times, stands)) in story.alarms.iter().enumerate() {
        let head = if at == 0 { "alarms" } else { "" };
        let stands = if *stands { ", stands at the end" } else { "" };
        let _ =
            writeln!(out, "  {head:<12}  {alarm}, raised {times} time{}{stands}", if *times == 1 { "" } else { "s" });
    }
    out.push('\n');
}

fn line(names: &[&str], entry: &Entry) -> String {
    let tank = entry.tank.and_then(|tank| names.get(tank)).map_or(String::new(), |name| format!("{name}: "));
    let subject = if entry.subject.is_empty() { String::new() } else { format!("{} ", entry.subject) };
    format!("{tank}{subject}{}", entry.text)
}

/// Lines that tell the story: what is everyday is left to the plot.
fn happened(out: &mut String, names: &[&str], run: &Rehearsal) {
    let told = |entry: &&Entry| match entry.source {
        Source::World | Source::Keeper => true,
        Source::Daemon if entry.starting && entry.kind == "trip" => false,
        Source::Daemon => {
            matches!(entry.kind, "trip" | "alarm" | "foreign" | "force" | "system" | "hold" | "answer")
                || (entry.kind == "proof" && !entry.text.starts_with("proven"))
        }
    };
    let lines: Vec<&Entry> = run.record().entries().iter().filter(told).collect();
    out.push_str("what happened\n");
    for entry in lines.iter().take(SHOWN) {
        let who = match entry.source {
            Source::World => "home",
            Source::Daemon => "daemon",
            Source::Keeper => "keeper",
        };
        let _ = writeln!(out, "  {}  {who:<6}  {:<8} {}", clock(entry.at), entry.kind, line(names, entry));
    }
    if lines.len() > SHOWN {
        let _ = writeln!(out, "  ... and {} lines more; `--json` has them", lines.len() - SHOWN);
    }
}

fn violations(out: &mut String, asked: &Rehearse, run: &Rehearsal, report: &Report) {
    if report.violations.is_empty() {
        out.push_str("\nviolations: none\n");
        return;
    }
    let _ = writeln!(out, "\nviolations: {}", report.violations.len());
    for one in &report.violations {
        let times = if one.times > 1 { format!(" (seen {} times)", one.times) } else { String::new() };
        let _ = writeln!(out, "  {}  {}, {} {}: {}{times}", clock(one.at), one.rule, one.tank, one.subject, one.text);
    }
    let _ = writeln!(
        out,
        "  replay with seed {}:\n    {}",
        report.seed,
        asked.replay(report.seed, asked.lasts, &run.planned())
    );
}

/// The report with all lines.
pub fn json(asked: &Rehearse, run: &Rehearsal, report: &Report) -> String {
    let json = serde_json::json!({
        "report": report,
        "replay": asked.replay(report.seed, asked.lasts, &run.planned()),
        "story": run.record().entries(),
        "left_out": run.record().left_out(),
        "limits_of_the_model": FOOTER,
    });
    format!("{json:#}\n")
}
