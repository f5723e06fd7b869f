//! The stories: what the keeper and the water do, and in which moments the kills come.

use slackwater::time::Span;

use super::lab::{LAGOON, Lab, TUB, Tally};

/// What a story is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Plot {
    WaterChange,
    Feeding,
    TopOff,
    Latch,
}

const fn minutes(minutes: u64) -> Span {
    Span::from_minutes(minutes)
}

const fn seconds(seconds: u64) -> Span {
    Span::from_seconds(seconds)
}

/// One story, all of it by its seed.
pub fn play(seed: u64) -> Tally {
    let tank = if seed.is_multiple_of(3) { TUB } else { LAGOON };
    if seed >= 10_000 {
        return budget_day(seed);
    }
    // Runs are rare in a story, so that there are more stories of them.
    let plot = match seed / 3 % 6 {
        0 => Plot::WaterChange,
        1 => Plot::Feeding,
        2 => Plot::Latch,
        _ => Plot::TopOff,
    };
    let mut lab = begin(seed, tank, plot);
    match plot {
        Plot::WaterChange => water_change(&mut lab),
        Plot::Feeding => feeding(&mut lab),
        Plot::TopOff => top_off(&mut lab),
        Plot::Latch => latch(&mut lab),
    }
    lab.end()
}

fn begin(seed: u64, tank: usize, plot: Plot) -> Lab {
    let thirsty =
        if tank == TUB { "quarantine/low-float sticks dry at 4 min" } else { "sump-level reads -8 mm at 11 min" };
    let faults = if plot == Plot::TopOff { vec![thirsty] } else { vec![] };
    let mut lab = Lab::new(seed, tank, &faults);
    let settled = lab.draw(180_000, 240_000);
    lab.pass(settled);
    lab
}

/// A daemon whose store is lost at the kill; what was found.
pub fn forgetful(plot: Plot) -> Vec<String> {
    let mut lab = begin(1, LAGOON, plot);
    match plot {
        Plot::WaterChange | Plot::Feeding => {
            lab.ask("hold water-change");
            lab.pass(seconds(30));
        }
        Plot::TopOff => {
            let pump = lab.output("top-off");
            assert!(lab.until(minutes(30), |lab| lab.is_on(pump)), "{}", lab.all());
            lab.pass(minutes(2));
        }
        Plot::Latch => {
            lab.inject("high-float sticks wet");
            lab.pass(seconds(30));
        }
    }
    lab.run.loses_its_store();
    lab.kill("forgets");
    super::checks::at_the_end(&mut lab);
    lab.found
}

fn some_kills(lab: &mut Lab, moment: &str, least: u64, most: u64, within: u64) {
    let count = lab.draw(least, most).millis();
    for _ in 0..count {
        let later = lab.draw(0, within);
        lab.pass(later);
        lab.kill(moment);
    }
}

/// Asks, and dies in one of the steps that follow at once, as often as not; what was lost with it is asked again.
fn ask_and_die(lab: &mut Lab, words: &str, moment: &str) {
    let times = lab.draw(0, 3).millis();
    for _ in 0..times {
        lab.kill_in_a_step(moment, seconds(6), Some(words));
    }
    lab.ask(words);
}

fn water_change(lab: &mut Lab) {
    let sump = lab.tank == LAGOON;
    ask_and_die(lab, "hold water-change", "hold pauses");
    let within = lab.draw(0, 5_000).millis();
    some_kills(lab, "hold pauses", 2, 3, within);
    some_kills(lab, "hold stands", 1, 3, 600_000);
    if sump {
        // The keeper took too much out: the release is refused until the water is back.
        lab.inject("sump-level reads -80 mm for 4 min");
        lab.pass(seconds(45));
        lab.ask("release");
        some_kills(lab, "release refused", 1, 2, 20_000);
        lab.until(minutes(5), |lab| lab.hold("water-change").is_some_and(|hold| !hold.overdue));
        lab.pass(minutes(5));
    }
    ask_and_die(lab, "release", "release is asked");
    let quiet = lab.draw(0, 3_000);
    lab.pass(quiet);
    lab.kill("release was just answered");
    // A save that was lost by the kill leaves the hold standing, which is the safe side: it is asked for again.
    for _ in 0..3 {
        if lab.hold("water-change").is_some_and(|hold| hold.active) {
            lab.pass(minutes(2));
            lab.ask("release");
            lab.pass(seconds(2));
        }
    }
    if lab.hold("water-change").is_some_and(|hold| hold.active) {
        lab.find("the hold cannot be released any more");
    }
    lab.kill_in_a_step("starts are staged", seconds(30), None);
    some_kills(lab, "starts are staged", 2, 5, 120_000);
    if sump && lab.draw(0, 1).millis() == 0 {
        fall_back(lab);
    }
    settled_again(lab);
}

/// Right after a release the sump falls dry: everything goes back into the hold, and a kill does not end that.
fn fall_back(lab: &mut Lab) {
    lab.ask("hold water-change");
    lab.pass(minutes(1));
    lab.ask("release");
    lab.pass(seconds(40));
    lab.inject("sump-level reads -120 mm for 5 min");
    if lab.until(minutes(3), |lab| lab.hold("water-change").is_some_and(|hold| hold.active)) {
        some_kills(lab, "fell back into the hold", 1, 3, 90_000);
        lab.pass(minutes(6));
        let pump = lab.output("return-pump");
        if !lab.hold("water-change").is_some_and(|hold| hold.active) || lab.is_on(pump) {
            lab.find("what fell back into the hold restarted by itself");
        }
        lab.ask("release");
        lab.pass(seconds(5));
    } else {
        lab.find("a dry sump right after the release did not fall back into the hold");
    }
}

fn feeding(lab: &mut Lab) {
    ask_and_die(lab, "hold feeding", "hold pauses");
    let within = lab.draw(0, 5_000).millis();
    some_kills(lab, "hold pauses", 1, 3, within);
    some_kills(lab, "hold stands", 1, 3, 200_000);
    let end = lab.hold("feeding").filter(|hold| hold.active).and_then(|hold| hold.until);
    // To within seconds of its end, and a kill on either side of it.
    let ahead = end.map_or(0, |end| end.unix_millis() - 1_780_293_600_000)
        - i64::try_from(lab.run.passed().millis()).unwrap_or(0);
    let near = u64::try_from(ahead).unwrap_or(0).saturating_sub(lab.draw(0, 12_000).millis());
    lab.pass(Span::from_millis(near));
    lab.kill_in_a_step("feeding ends", seconds(20), None);
    some_kills(lab, "feeding ends", 2, 4, 12_000);
    lab.pass(minutes(3));
    if lab.hold("feeding").is_some_and(|hold| hold.active && !hold.overdue) {
        lab.find("feeding did not end at its first deadline");
    }
    settled_again(lab);
}

fn top_off(lab: &mut Lab) {
    let pump = lab.output("top-off");
    if lab.draw(0, 2).millis() == 0 {
        some_kills(lab, "top-off is about to start", 1, 1, 60_000);
    }
    for _ in 0..2 {
        // In the very step that saves and commands, or in one of those that follow.
        let (now, quiet) = (lab.run.passed(), minutes(if lab.tank == TUB { 2 } else { 9 }));
        if lab.draw(0, 2).millis() == 0 && now < quiet {
            lab.pass(quiet.minus(now));
        }
        if lab.draw(0, 2).millis() == 0 && lab.kill_in_a_step("top-off is about to start", minutes(4), None) {
            continue;
        }
        if !lab.until(minutes(25), |lab| lab.is_on(pump)) {
            break;
        }
        let moment = match lab.draw(0, 3).millis() {
            0 => {
                lab.kill_in_a_step("top-off runs", minutes(3), None);
                continue;
            }
            1 => "top-off runs",
            2 => {
                let later = lab.draw(0, 30_000);
                lab.pass(later);
                "top-off runs"
            }
            _ => {
                lab.until(minutes(4), |lab| !lab.is_on(pump));
                let later = lab.draw(0, 62_000);
                lab.pass(later);
                "top-off settles"
            }
        };
        lab.kill(moment);
        let chain = lab.draw(0, 2).millis();
        some_kills(lab, "killed again soon after", chain, chain, 20_000);
    }
    some_kills(lab, "after a top-off", 1, 2, 300_000);
    lab.pass(minutes(3));
}

/// A latched top-off, a hold over it, and no start of it whatever is killed.
fn latch(lab: &mut Lab) {
    let float = if lab.tank == TUB { "quarantine/high-float" } else { "high-float" };
    lab.inject(&format!("{float} sticks wet for 2 min"));
    if lab.draw(0, 2).millis() == 0 {
        // Dying between the off and its record, the float still wet: the next daemon sees it itself.
        lab.kill_in_a_step("latches", seconds(5), None);
    }
    lab.pass(seconds(125));
    some_kills(lab, "latched", 3, 6, 60_000);
    ask_and_die(lab, "hold water-change", "latched");
    lab.pass(seconds(3));
    some_kills(lab, "latched", 1, 3, 60_000);
    lab.pass(seconds(90));
    let state = |lab: &Lab| {
        let status = lab.run.status(&lab.name()).expect("it lives");
        status.interlocks.iter().find(|one| &*one.interlock == "top-off-high").map(|one| one.state)
    };
    if state(lab) != Some("latched") {
        lab.find(&format!("the wet float's latch is {:?} after the kills", state(lab)));
    }
    lab.ask("release");
    lab.ask("reset");
    lab.pass(seconds(3));
    if state(lab) != Some("armed") {
        lab.find(&format!("the latch is {:?} after its reset", state(lab)));
    }
}

/// In the end no hold stands and the pumps run.
fn settled_again(lab: &mut Lab) {
    lab.ask("release");
    lab.pass(minutes(4));
    let pumps: Vec<usize> = (0..lab.truth().relays.len()).filter(|index| lab.kind(*index).is_life_support()).collect();
    for pump in pumps.into_iter().filter(|pump| !lab.is_on(*pump)).collect::<Vec<_>>() {
        let name = lab.setup.tanks[lab.tank].plan.outputs[pump].name.to_string();
        lab.find(&format!("{name} does not run again after everything was released"));
    }
}

/// Thirty hours in which the sump wants more than the budget gives, and kills in the runs.
pub fn budget_day(seed: u64) -> Tally {
    let tank = if seed.is_multiple_of(4) { TUB } else { LAGOON };
    let faults = ["floor-leak sticks dry", "lagoon leaks 1 L/h", "quarantine leaks 0.5 L/h"];
    let mut lab = Lab::new(seed, tank, &faults);
    let pump = lab.output("top-off");
    let end = Span::from_hours(30);
    while lab.run.passed() < end {
        if lab.until(minutes(20), |lab| lab.is_on(pump)) {
            match lab.draw(0, 3).millis() {
                0 => {
                    let later = lab.draw(0, 36_000);
                    lab.pass(later);
                    lab.kill("top-off runs, day after day");
                }
                1 => {
                    lab.until(minutes(4), |lab| !lab.is_on(pump));
                    let later = lab.draw(0, 60_000);
                    lab.pass(later);
                    lab.kill("top-off settles, day after day");
                }
                _ => {
                    lab.until(minutes(4), |lab| !lab.is_on(pump));
                }
            }
        } else if lab.draw(0, 5).millis() == 0 {
            lab.kill("budget is spent");
        }
    }
    lab.end()
}
