//! Adds up what runs have printed, and prints the table with its limits.

use std::collections::BTreeMap;

/// The most that is allowed in a tank-year.
const MOST_HIGH: f64 = 1.0;
const MOST_LOWER: f64 = 12.0;

/// Adds up the lines of these files.
pub fn up(files: &[String]) {
    let lines: Vec<String> = files
        .iter()
        .flat_map(|path| {
            std::fs::read_to_string(path).expect("a file of lines").lines().map(str::to_owned).collect::<Vec<_>>()
        })
        .collect();
    years(&lines);
    faults(&lines);
}

fn field<'l>(line: &'l str, key: &str) -> &'l str {
    let found = line.split(' ').find_map(|word| word.strip_prefix(key)?.strip_prefix('='));
    found.unwrap_or_default()
}

fn years(lines: &[String]) {
    let mut seasons: BTreeMap<String, (u32, u32, u32, BTreeMap<String, u32>)> = BTreeMap::new();
    for line in lines.iter().filter(|line| line.starts_with("year ")) {
        let sums = seasons.entry(field(line, "season").to_owned()).or_default();
        sums.0 += 1;
        sums.1 += field(line, "high").parse::<u32>().expect("a count");
        sums.2 += field(line, "lower").parse::<u32>().expect("a count");
        for name in
            field(line, "told").split(',').filter_map(|one| one.split('@').next()).filter(|name| !name.is_empty())
        {
            *sums.3.entry(name.to_owned()).or_default() += 1;
        }
    }
    for (season, (years, high, lower, names)) in seasons {
        let each = |count: u32| f64::from(count) / f64::from(years);
        let holds = each(high) <= MOST_HIGH && each(lower) <= MOST_LOWER;
        let names: Vec<String> = names.iter().map(|(name, count)| format!("{name} {count}")).collect();
        println!(
            "{season:8} {years:3} tank-years: high {:.2}, lower {:.2} a tank-year ({high}, {lower}) {}  {}",
            each(high),
            each(lower),
            if holds { "within limits" } else { "OVER" },
            names.join(", ")
        );
    }
}

fn faults(lines: &[String]) {
    let mut kinds: BTreeMap<String, [Vec<f64>; 4]> = BTreeMap::new();
    for line in lines.iter().filter(|line| line.starts_with("fault ")) {
        let kind = format!("{} {} room {}", field(line, "kind"), field(line, "home"), field(line, "room"));
        let delays = kinds.entry(kind).or_default();
        for (at, key) in ["unexplained", "drift", "any", "after_showing"].iter().enumerate() {
            delays[at].push(field(line, key).parse().unwrap_or(f64::NAN));
        }
    }
    for (kind, delays) in kinds {
        for (name, mut hours) in ["unexplained", "any drift", "any alarm", "from showing"].into_iter().zip(delays) {
            hours.sort_by(f64::total_cmp);
            let at = |part: f64| {
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a place in a short list")]
                let place = (part * hours.len() as f64).ceil() as usize;
                hours[place.clamp(1, hours.len()) - 1]
            };
            let seen = hours.iter().filter(|delay| delay.is_finite()).count();
            println!(
                "{kind:28} {name:12} {seen}/{} seen, median {:.3} h, p95 {:.3} h, worst {:.3} h",
                hours.len(),
                at(0.5),
                at(0.95),
                at(1.0)
            );
        }
    }
}
