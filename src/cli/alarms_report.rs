//! `slackwater alarms report`: a month of alarms, read from the journal of the store beside a running daemon.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

use crate::config;
use crate::control::alarm_load::{A_DAY, SHARES, STALE_A_DAY, TOP_TEN};
use crate::control::alarm_report::{self, AlarmReport};
use crate::control::plan::{Priority, TankPlan};
use crate::shell::alarm_lines;
use crate::time::{Span, Wall};

/// A month of alarms: how many, which, for how long, and which to mend.
#[derive(Debug, clap::Args)]
pub struct Report {
    /// The month, such as 2026-11; the last 30 days if not given.
    #[arg(long, value_name = "MONTH")]
    pub month: Option<String>,
    /// The tank; all if not given.
    #[arg(long, value_name = "TANK")]
    pub tank: Option<String>,
    /// The config directory, which says where the store is.
    #[arg(long, value_name = "DIR", default_value = "/etc/slackwater")]
    pub config: PathBuf,
    /// Prints JSON.
    #[arg(long)]
    pub json: bool,
}

impl Report {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        match self.made() {
            Ok(text) => {
                print!("{text}");
                ExitCode::SUCCESS
            }
            Err((code, error)) => {
                eprintln!("error: {error}");
                ExitCode::from(code)
            }
        }
    }

    fn made(&self) -> Result<String, (u8, String)> {
        let setup = config::load(&self.config)
            .map_err(|problems| (1, format!("the config in `{}` is not sound\n{problems}", self.config.display())))?;
        let plans: Vec<&TankPlan> = setup.tanks.iter().map(|tank| &tank.plan).collect();
        let wanted: Vec<&TankPlan> =
            plans.iter().copied().filter(|plan| self.tank.as_ref().is_none_or(|name| *plan.name == **name)).collect();
        if wanted.is_empty() {
            let known: Vec<String> = plans.iter().map(|plan| plan.name.to_string()).collect();
            let named = self.tank.as_deref().unwrap_or_default();
            return Err((1, format!("there is no tank `{named}`\n  known: {}", known.join(", "))));
        }
        let now = Wall::from_unix_millis(crate::shell::clock::unix_millis());
        let mut out = String::new();
        let mut all = Vec::new();
        for plan in wanted {
            let (from, until) = match &self.month {
                Some(month) => {
                    let misuse = || {
                        (
                            2,
                            format!(
                                "`{month}` is no month
  write it as 2026-11"
                            ),
                        )
                    };
                    let (from, until) = plan.zone.month(month).ok_or_else(misuse)?;
                    (from, until.min(now))
                }
                None => (now.before(Span::from_hours(30 * 24)), now),
            };
            if from >= until {
                return Err((1, "this month has not begun\n  ask for an earlier one".to_owned()));
            }
            let store = setup.daemon.data_dir.join("slackwater.db");
            let lines = alarm_lines::read(&store, &plan.name, from, until).map_err(|error| (1, error))?;
            let report = alarm_report::of_month(plan, &lines, from, until);
            if self.json {
                all.push(serde_json::json!({ "tank": plan.name, "from": from, "until": until, "report": report }));
            } else {
                let title = format!("{}: {} to {}", plan.name, plan.zone.show(from), plan.zone.show(until));
                out += &text(&title, &report);
            }
        }
        if self.json {
            let _ = writeln!(out, "{:#}", serde_json::Value::from(all));
        }
        Ok(out)
    }
}

/// The report as a person reads it.
fn text(title: &str, report: &AlarmReport) -> String {
    let mut out = String::new();
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    let _ = writeln!(out, "{title}");
    let _ = writeln!(
        out,
        "\nhow many    {} in {:.1} days, {:.1} a day, {} on the busiest\n            a control room manages {:.0} a day and no more than {:.0}; a home far fewer",
        report.raised, report.days, report.a_day, report.busiest_day, A_DAY.0, A_DAY.1
    );
    let of = |wanted: &[Priority]| {
        report.by_priority.iter().filter(|of| wanted.contains(&of.priority)).fold(0.0, |all, of| all + of.share)
    };
    let _ = writeln!(
        out,
        "priorities  urgent {}, high {}, medium and low {}; usual are {}, {} and {}",
        percent(of(&[Priority::Urgent])),
        percent(of(&[Priority::High])),
        percent(of(&[Priority::Medium, Priority::Low])),
        percent(SHARES[2]),
        percent(SHARES[1]),
        percent(SHARES[0]),
    );
    let _ = writeln!(
        out,
        "floods      {}, {:.1} h in all (more than 10 in 10 min, until fewer than 5)",
        report.floods.len(),
        report.flood_hours
    );
    let acknowledged = &report.acknowledged;
    let median = acknowledged.median_minutes.map_or_else(
        || "nothing was acknowledged".to_owned(),
        |median| {
            let longest = acknowledged.longest_minutes.unwrap_or(median);
            format!("half within {median:.0} min, the longest {longest:.0} min, of {}", acknowledged.count)
        },
    );
    let _ = writeln!(out, "seen        {median}; {} never", acknowledged.never);
    if !report.top_ten.is_empty() {
        let share = percent(report.top_ten_share);
        let _ = writeln!(out, "\nthe ten most frequent are {share} of all; {} is good", percent(TOP_TEN));
        let width = report.top_ten.iter().map(|one| one.alarm.chars().count()).max().unwrap_or(0);
        for one in &report.top_ten {
            let _ = writeln!(out, "  {:width$}  {:5}  {:>5}", one.alarm, one.raised, percent(one.share));
        }
    }
    let times = |list: &[(String, usize)]| {
        list.iter().map(|(name, times)| format!("{name} ({times})")).collect::<Vec<_>>().join(", ")
    };
    let or_none = |text: String| if text.is_empty() { "none".to_owned() } else { text };
    let stale: Vec<_> = report.stale.iter().map(|(name, hours)| format!("{name} ({hours:.0} h)")).collect();
    let _ = writeln!(out, "\nchattering      {}; none is good", or_none(times(&report.chattering)));
    let _ =
        writeln!(out, "stale           {}; fewer than {STALE_A_DAY} on any day are good", or_none(stale.join(", ")));
    let _ = writeln!(out, "shelved         {}", or_none(times(&report.shelved)));
    let _ = writeln!(out, "out of service  {}", or_none(times(&report.out_of_service)));
    if !report.mend.is_empty() {
        let _ = writeln!(out, "\nto mend");
        for line in &report.mend {
            let _ = writeln!(out, "  - {line}");
        }
    }
    let _ = writeln!(
        out,
        "\nThe limits are those of ANSI/ISA-18.2 and IEC 62682 as public summaries report them, some from memory; the edition\n\
         of 2016 is reported to have dropped the limit by day."
    );
    out
}
