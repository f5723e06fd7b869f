//! The page in a real Chromium: hold, release, a refused release, an alarm, a lost daemon; without a fault that axe
//! knows, in light and dark, from 320 px on.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;

use common::browser::{Browser, PHONE, TABLET, Window};
use common::{Broker, Config, Daemon, LAGOON, World, seconds, wait_until};

struct Stage {
    _broker: Broker,
    daemon: Daemon,
    world: World,
}

/// A tank at work. A release needs a temperature: a keeper's own condition.
fn stage() -> Stage {
    let broker = Broker::start();
    let config = Config::new(&broker);
    config.write_tank("lagoon", LAGOON);
    let daemon = Daemon::start(&config);
    let world = World::new(&broker);
    world.settle(24.9);
    Stage { _broker: broker, daemon, world }
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

#[test]
fn an_alarm_appears_by_itself_and_a_lost_daemon_is_unmistakable() {
    let Stage { daemon, world, _broker } = stage();
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
        for path in ["", "/hold/water-change", "/outputs/heater", "/journal", "/log"] {
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
