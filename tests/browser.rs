//! The page in a real Chromium: hold, release, a refused release, an alarm, a lost daemon; without a fault that axe
//! knows, in light and dark, from 320 px on.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use common::browser::{Browser, PHONE, TABLET, Window};
use common::{Broker, Config, Daemon, LAGOON, World, more_lagoon, seconds, wait_until};

struct Stage {
    broker: Broker,
    daemon: Daemon,
    world: World,
}

fn stage() -> Stage {
    stage_of(LAGOON)
}

/// A tank at work.
fn stage_of(lagoon: &str) -> Stage {
    let broker = Broker::start();
    let config = Config::new(&broker);
    config.write_tank("lagoon", lagoon);
    let daemon = Daemon::start(&config);
    let world = World::new(&broker);
    world.settle(24.9);
    Stage { broker, daemon, world }
}

fn clean(browser: &Browser, where_: &str) {
    assert_eq!(browser.violations(), Vec::<String>::new(), "{where_}");
    let wide = browser.run("return document.documentElement.scrollWidth - document.documentElement.clientWidth");
    assert!(wide.as_i64().unwrap() <= 0, "{where_} scrolls sideways by {wide} px");
}

#[test]
fn a_keeper_holds_and_releases_with_a_thumb() {
    let Stage { daemon, .. } = &stage();
    let browser = Browser::open(PHONE);
    let tank = format!("{}/tanks/lagoon", daemon.url);
    browser.go(&tank);
    browser.wait_for("#sentence", "24.9 °C");
    clean(&browser, "the tank");
    browser.picture("phone-light");
    let height = browser.run("return document.querySelector('.procedures .big').getBoundingClientRect().height");
    assert!(height.as_f64().unwrap() >= 72.0, "a wet thumb wants {height} px");
    browser.touch("a[href='/tanks/lagoon/hold/water-change']");
    browser.wait_for("h1", "Hold: water change?");
    clean(&browser, "the first touch");
    browser.picture("phone-confirm");
    browser.touch("button.big");
    browser.wait_for("#told", "Done");
    assert_eq!(daemon.status()["holds"][0]["active"], true);
    clean(&browser, "held");
    browser.picture("phone-held");
    let count = || browser.text(".count .left");
    let before = count();
    assert!(before.contains("min left") || before.contains("1 h left"), "{before}");
    browser.touch("a[href='/tanks/lagoon/release/water-change']");
    browser.touch("button.big");
    browser.wait_for("#told", "Done");
    wait_until("it is released", seconds(10), || daemon.status()["holds"][0]["active"] == false);
    browser.go(&format!("{tank}/journal?kind=hold"));
    browser.wait_for("ol.log", "water-change");
    clean(&browser, "the record");
    browser.go(&format!("{tank}/outputs/heater"));
    browser.wait_for("table.chain", "(decides)");
    clean(&browser, "the chain of reasons");
    browser.picture("phone-output");
}

/// The small lagoon with a sump: the return pump starts only while the low float is wet.
fn sump() -> String {
    LAGOON
        .replacen(
            "outputs:",
            r#"  low-float: { measures: low-float, topic: lagoon/low, wet: "1", dry: "0", stale_after: 3 s }
outputs:"#,
            1,
        )
        .replacen(
            "temperature: {",
            r#"  return-pump:
    kind: return-pump
    plug:
      command: { topic: lagoon/return/set, on: "1", off: "0" }
      report: { topic: lagoon/return/relay, on: "1", off: "0" }
      boots: on
temperature: {"#,
            1,
        )
        .replace("pause: [heater, skimmer]", "pause: [heater, skimmer, return-pump]")
}

/// A float that says how it is again and again, as long as somebody holds it.
fn float(broker: &Broker) -> Arc<AtomicBool> {
    let is_wet = Arc::new(AtomicBool::new(true));
    let (says, world) = (Arc::downgrade(&is_wet), World::without_plugs(broker));
    std::thread::spawn(move || {
        while let Some(is_wet) = says.upgrade() {
            world.publish("lagoon/low", if is_wet.load(Ordering::Relaxed) { "1" } else { "0" });
            std::thread::sleep(seconds(1) / 5);
        }
    });
    is_wet
}

#[test]
fn a_release_with_too_little_water_is_refused_and_says_what_is_missing() {
    let Stage { daemon, broker, .. } = &stage_of(&sump());
    let is_wet = float(broker);
    let pump = || daemon.status()["outputs"][2].clone();
    wait_until("the return pump runs", seconds(20), || pump()["decided"] == "on" && pump()["proof"] == "proven");
    let browser = Browser::open(PHONE);
    let tank = format!("{}/tanks/lagoon", daemon.url);
    browser.go(&format!("{tank}/hold/water-change"));
    browser.touch("button.big");
    browser.wait_for("#told", "Done");
    assert_eq!(pump()["decided"], "off");
    // What was typed stays when the page moves.
    browser.touch("#new-water summary");
    clean(&browser, "new water");
    browser.run("document.getElementById('water-litres').value = '9 L'; document.getElementById('water-confirm').checked = true");
    let made = || browser.run("return document.getElementById('as-of').dataset.at");
    let before = made();
    wait_until("the page moves", seconds(20), || made() != before);
    let kept = "return [document.getElementById('water-litres').value, document.getElementById('water-confirm').checked, \
        document.getElementById('new-water').open]";
    assert_eq!(browser.run(kept), serde_json::json!(["9 L", true, true]));
    // The old water is out, and the new water is not in.
    is_wet.store(false, Ordering::Relaxed);
    wait_until("the float is dry", seconds(10), || daemon.status()["signals"][2]["text"] == "dry");
    browser.touch("a[href='/tanks/lagoon/release/water-change']");
    browser.wait_for("h1", "Release: water change?");
    browser.touch("form:last-of-type button.big");
    browser.wait_for("#told", "Refused");
    let told = browser.text("#told");
    for part in ["hold water-change goes on: its release is not permitted yet", "enough-water", "low-float", "dry"] {
        assert!(told.contains(part), "{part}: {told}");
    }
    assert_eq!(browser.run("return document.activeElement.id"), "told", "it is read first");
    // The hold goes on, and can still be released from here.
    browser.wait_for("#hold .held", "left");
    assert_eq!(daemon.status()["holds"][0]["active"], true);
    assert_eq!(pump()["decided"], "off");
    clean(&browser, "a refused release");
    browser.picture("phone-refused");
    is_wet.store(true, Ordering::Relaxed);
    wait_until("the float is wet", seconds(10), || daemon.status()["signals"][2]["text"] == "wet");
    browser.touch("a[href='/tanks/lagoon/release/water-change']");
    browser.touch("form:last-of-type button.big");
    browser.wait_for("#told", "Done");
    wait_until("the return pump starts", seconds(20), || pump()["decided"] == "on");
}

#[test]
fn proofs_are_followed_and_a_dose_is_approved_with_a_thumb() {
    let Stage { daemon, .. } = &stage_of(&more_lagoon());
    let browser = Browser::open(PHONE);
    let tank = format!("{}/tanks/lagoon", daemon.url);
    browser.go(&format!("{tank}/proofs"));
    browser.wait_for(".lead", "0 of ");
    clean(&browser, "proofs");
    browser.touch("input[value='skimmer switches'] ~ button");
    browser.wait_for("#step", "Skimmer switches");
    clean(&browser, "a step that waits");
    browser.picture("phone-proof");
    browser.touch("#session button.big");
    browser.wait_for("#told", "Done");
    // The page moves by itself until a person is asked.
    browser.wait_for("#session", "Yes");
    wait_until("the daemon asks", seconds(5), || daemon.status()["proofs"]["session"]["stage"] == "asking");
    clean(&browser, "a step that asks");
    browser.picture("phone-proof-asks");
    browser.touch("#session input[value='yes'] ~ button");
    browser.wait_for(".lead", "1 of ");
    assert!(daemon.status()["proofs"]["session"].is_null());
    common::propose(daemon);
    browser.go(&format!("{tank}/doses"));
    browser.wait_for(".held", "Proposed, and not in force");
    clean(&browser, "a proposal");
    browser.picture("phone-dose");
    browser.touch("input[value='approve'] ~ button");
    browser.wait_for("#told", "Done");
    assert!(daemon.status()["dosing"][0]["maintenance_ml_per_day"].as_f64().unwrap() > 20.5);
    browser.go(&format!("{tank}/safeguards"));
    browser.wait_for("main", "Never bypassed");
    browser.touch("summary");
    clean(&browser, "safeguards");
    browser.picture("phone-safeguards");
}

#[test]
fn a_water_change_is_marked_on_the_charts() {
    let Stage { daemon, .. } = &stage();
    let port: u16 = daemon.url.rsplit(':').next().unwrap().parse().unwrap();
    let noted =
        common::web::send(port, "POST", "/api/v1/tanks/lagoon/log", &[], r#"{"do":"water-change","amount":"9 L"}"#);
    assert_eq!(noted.code, 200, "{noted:?}");
    // A bucket is a second here, and a point of an hour's chart twelve: two of them are a line.
    std::thread::sleep(seconds(25));
    let browser = Browser::open(TABLET);
    browser.go(&format!("{}/tanks/lagoon", daemon.url));
    browser.wait_for("#sentence", "24.9 °C");
    browser.touch(".ranges button[data-hours='1']");
    browser.wait_for("figure[data-signal='water-temp'] figcaption", "1 water change");
    clean(&browser, "charts");
    browser.picture("tablet-chart");
}

#[test]
fn an_alarm_appears_by_itself_and_a_lost_daemon_is_unmistakable() {
    let Stage { daemon, world, broker: _broker } = stage();
    let browser = Browser::open(TABLET);
    browser.go(&format!("{}/tanks/lagoon", daemon.url));
    browser.wait_for("#needs", "Nothing.");
    browser.picture("tablet-light");
    world.temperature(26.6);
    browser.wait_for("#needs", "Unplug the heater.");
    browser.wait_for("#sentence", "Needs you now");
    clean(&browser, "an alarm");
    browser.picture("tablet-alarm");
    assert!(browser.run("return document.body.classList.contains('lost')") == false);
    daemon.kill();
    browser.wait_for("#lost", "Nothing is heard from the daemon since");
    browser.wait_for("#lost", "old. Look at the tank itself.");
    let grey = browser.run("return getComputedStyle(document.querySelector('main')).filter");
    assert_eq!(grey, "grayscale(1)");
    browser.picture("tablet-lost");
}

#[test]
fn it_reads_well_in_the_dark_when_narrow_and_with_large_text() {
    let Stage { daemon, .. } = &stage();
    let tank = format!("{}/tanks/lagoon", daemon.url);
    for (name, window) in [
        ("phone-dark", Window { dark: true, ..PHONE }),
        ("tablet-dark", Window { dark: true, ..TABLET }),
        ("narrow", Window { width: 320, height: 700, ..PHONE }),
    ] {
        let browser = Browser::open(window);
        for path in
            ["", "/hold/water-change", "/outputs/heater", "/journal", "/log", "/proofs", "/safeguards", "/doses"]
        {
            browser.go(&format!("{tank}{path}"));
            clean(&browser, &format!("{name}{path}"));
        }
        browser.go(&tank);
        browser.picture(name);
        for path in ["/calc", "/calc/match"] {
            browser.go(&format!("{}{path}", daemon.url));
            clean(&browser, path);
        }
        if name == "narrow" {
            browser.go(&tank);
            browser.run("document.documentElement.style.fontSize = '200%'");
            clean(&browser, "twice as large");
            browser.picture("narrow-large");
        }
    }
}

#[test]
fn without_script_a_real_browser_holds_too() {
    let Stage { daemon, .. } = &stage();
    let browser = Browser::open(Window { script: false, ..PHONE });
    browser.go(&format!("{}/tanks/lagoon", daemon.url));
    browser.touch("a[href='/tanks/lagoon/hold/water-change']");
    browser.touch("button.big");
    browser.wait_for("#told", "Done");
    assert_eq!(daemon.status()["holds"][0]["active"], true);
}

#[test]
fn the_first_paint_is_small_and_nothing_comes_from_elsewhere() {
    let Stage { daemon, .. } = &stage();
    let browser = Browser::open(TABLET);
    browser.go(&format!("{}/tanks/lagoon", daemon.url));
    browser.wait_for("#sentence", "24.9 °C");
    let bytes = "return performance.getEntriesByType('navigation').concat(performance.getEntriesByType('resource')\
        .filter((one) => !one.name.includes('/uplot.') && !one.name.includes('/api/')))\
        .reduce((sum, one) => sum + one.transferSize, 0)";
    let bytes = browser.run(bytes).as_u64().unwrap();
    assert!((10_000..100 * 1024).contains(&bytes), "{bytes} bytes");
    println!("first paint: {bytes} bytes");
    let all = browser.run("return performance.getEntriesByType('resource').map((one) => one.name)");
    for name in all.as_array().unwrap() {
        assert!(name.as_str().unwrap().starts_with(&daemon.url), "{name}");
    }
}
