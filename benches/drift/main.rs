//! How good drift detection is: false notifications in ordinary tank-years, and how long a fault goes unseen.
//!
//! ```text
//! cargo bench --bench drift -- --years 2 --season winter --seeds 100000
//! cargo bench --bench drift -- --fault welded --room 20 --runs 40 --seeds 100000
//! cargo bench --bench drift -- --add FILE...      adds up what runs have printed
//! ```
//! Each tank-year and each fault is a rehearsal of its own: the world, the codecs and the core of the daemon, with a
//! keeper who feeds each day and changes a tenth of the water each week, in the thin home of `tests/data/drift`
//! (thermometers once a minute, plugs without report). A year begins with a daemon that has learned nothing. Seeds
//! below 1000 were used for tuning, 100000 and up never. Every notification that drift raises counts as false in an
//! ordinary year, of whatever priority; a fault that is not seen within a day counts as infinitely late.

mod add;
mod home;

use home::{Story, Year};

/// What is asked for.
struct Asked {
    years: u64,
    seasons: Vec<Year>,
    seeds: u64,
    fault: Option<String>,
    room: f64,
    runs: u64,
    home: String,
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    if words.first().is_some_and(|word| word == "--add") {
        return add::up(&words[1..]);
    }
    let asked = asked(&words);
    if let Some(fault) = &asked.fault {
        return faults(&asked, fault);
    }
    for season in &asked.seasons {
        for seed in asked.seeds..asked.seeds + asked.years {
            let told = home::year(*season, seed);
            let high = told.iter().filter(|one| one.priority >= home::HIGH).count();
            let names: Vec<String> = told.iter().map(|one| format!("{}@{:.2}", one.name, one.hours / 24.0)).collect();
            println!(
                "year season={} seed={seed} high={high} lower={} told={}",
                season.word(),
                told.len() - high,
                names.join(",")
            );
        }
    }
}

/// Four start times, so many seeds each; the delay of the first alarm of each kind.
fn faults(asked: &Asked, fault: &str) {
    for hour in [1, 7, 13, 19] {
        for seed in asked.seeds..asked.seeds + asked.runs {
            let story = Story { home: &asked.home, room: asked.room, fault, hour, seed };
            let found = home::fault(&story);
            let shown = |hours: Option<f64>| hours.map_or_else(|| "inf".to_owned(), |hours| format!("{hours:.4}"));
            println!(
                "fault kind={fault} home={} room={} hour={hour} seed={seed} unexplained={} drift={} any={} after_showing={}",
                asked.home,
                asked.room,
                shown(found.unexplained),
                shown(found.drift),
                shown(found.any),
                shown(found.after_showing)
            );
        }
    }
}

fn asked(words: &[String]) -> Asked {
    let value = |key: &str| words.iter().position(|word| word == key).and_then(|at| words.get(at + 1)).cloned();
    let number = |key: &str, usual: u64| value(key).map_or(usual, |text| text.parse().expect("a whole number"));
    let season = value("--season").unwrap_or_else(|| "all".to_owned());
    let seasons = Year::ALL.into_iter().filter(|one| season == "all" || one.word() == season).collect();
    Asked {
        years: number("--years", 1),
        seasons,
        seeds: number("--seeds", 1),
        fault: value("--fault"),
        room: value("--room").map_or(20.0, |text| text.parse().expect("a temperature in °C")),
        runs: number("--runs", 4),
        home: value("--home").unwrap_or_else(|| "plain".to_owned()),
    }
}
