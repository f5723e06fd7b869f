//! The page as a browser without script has it: HTML, forms, and a way back after each.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;

use common::web::{Answer, KEEPER, LOOK, send, with_tokens};
use common::{Broker, Config, Daemon, World, seconds, wait_until};

const TANK: &str = "/tanks/lagoon";

/// A browser without script: it follows links, sends forms, keeps cookies.
struct Browser {
    port: u16,
    cookie: Option<String>,
}

impl Browser {
    fn new(config: &Config) -> Self {
        Self { port: config.http, cookie: None }
    }

    fn send(&self, method: &str, path: &str, more: &[&str], body: &str) -> Answer {
        let cookie = self.cookie.as_ref().map(|cookie| format!("Cookie: {cookie}"));
        let mut headers: Vec<&str> = vec!["Sec-Fetch-Site: same-origin"];
        headers.extend(cookie.as_deref());
        headers.extend(more);
        send(self.port, method, path, &headers, body)
    }

    fn get(&self, path: &str) -> Answer {
        self.send("GET", path, &[], "")
    }

    fn post(&self, path: &str, body: &str) -> Answer {
        let origin = format!("Origin: http://127.0.0.1:{}", self.port);
        self.send("POST", path, &[&origin, "Content-Type: application/x-www-form-urlencoded"], body)
    }

    /// Touches the button of the form on this page that asks for `what`; where one is sent on to.
    fn touch(&self, page: &Answer, what: &str) -> Answer {
        let sent = self.post(&format!("{TANK}/ask"), &fields(page, what));
        assert_eq!(sent.code, 303, "{sent:?}");
        self.get(sent.header("location").expect("one is sent on"))
    }
}

/// The fields of the form that asks for `what`, as a browser sends them.
fn fields(page: &Answer, what: &str) -> String {
    let form = page.body.split("<form").find(|form| form.contains(&format!("name=\"do\" value=\"{what}\"")));
    let form = form.unwrap_or_else(|| panic!("no form for {what}: {}", page.body)).split("</form>").next().unwrap();
    let inputs = form.split("<input type=\"hidden\" name=\"").skip(1).map(|input| {
        let mut parts = input.split('"');
        format!("{}={}", parts.next().unwrap(), parts.nth(1).unwrap())
    });
    inputs.collect::<Vec<_>>().join("&")
}

#[test]
fn without_script_the_tank_is_seen_and_held_in_two_touches_and_released() {
    let broker = Broker::start();
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    let world = World::new(&broker);
    world.settle(24.5);
    let browser = Browser::new(&config);
    assert_eq!(browser.get("/").header("location"), Some(TANK), "one tank is what one wants to see");
    let page = browser.get(TANK);
    assert_eq!((page.code, page.header("content-type")), (200, Some("text/html; charset=utf-8")));
    for part in
        ["Steady. 24.5 °C.", "What needs you", "Water temp", "24.50 °C", "Heater", "Floor leak", "Heater cutoff"]
    {
        assert!(page.body.contains(part), "{part}: {}", page.body);
    }
    // First touch: what it will do.
    assert!(page.body.contains("href=\"/tanks/lagoon/hold/water-change\""), "{}", page.body);
    let first = browser.get("/tanks/lagoon/hold/water-change");
    for part in ["<li>heater</li>", "<li>skimmer</li>", "<b>1 h</b> at most", "A hold is not isolation"] {
        assert!(first.body.contains(part), "{part}: {}", first.body);
    }
    assert_eq!(daemon.status()["holds"][0]["active"], false, "looking changes nothing");
    // Second touch.
    let held = browser.touch(&first, "hold");
    for part in ["id=\"told\"", "skimmer: off, proven by its report", "/release/water-change", "min left"] {
        assert!(held.body.contains(part), "{part}: {}", held.body);
    }
    let hold = &daemon.status()["holds"][0];
    assert_eq!((&hold["active"], &hold["by"]), (&true.into(), &"page".into()));
    // The same touch again is the same order.
    let again = browser.touch(&first, "hold");
    assert!(again.body.contains("nothing was done a second time"), "{}", again.body);
    assert_eq!(daemon.status()["holds"][0]["started"], 1);
    let release = browser.get("/tanks/lagoon/release/water-change");
    let released = browser.touch(&release, "release");
    assert!(released.body.contains("id=\"told\""), "{}", released.body);
    wait_until("it is released", seconds(5), || daemon.status()["holds"][0]["active"] == false);
}

#[test]
fn a_form_that_is_not_ours_changes_nothing() {
    let broker = Broker::start();
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    let browser = Browser::new(&config);
    let ask = format!("{TANK}/ask");
    let page = browser.get("/tanks/lagoon/hold/water-change");
    let good = fields(&page, "hold");
    let no_mark = good.split("&mark=").next().unwrap();
    let refused = browser.post(&ask, no_mark);
    assert!(refused.code == 403 && refused.body.contains("nothing was done"), "{refused:?}");
    let (kind, port) = ("Content-Type: application/x-www-form-urlencoded", config.http);
    for headers in [
        vec![kind, "Origin: http://evil.example"],
        vec![kind, "Origin: null"],
        vec![kind, "Sec-Fetch-Site: cross-site"],
        vec![],
    ] {
        let refused = send(port, "POST", &ask, &headers, &good);
        assert!([403, 415].contains(&refused.code) && refused.body.contains("<h1>"), "{refused:?}");
    }
    assert_eq!(daemon.status()["holds"][0]["started"], 0);
    assert_eq!(browser.post(&ask, &good).code, 303, "and by itself it is taken");
    // What is not there is said as a page.
    for path in ["/tanks/lagun", "/tanks/lagoon/hold/nothing", "/tanks/lagoon/outputs/nothing"] {
        let missing = browser.get(path);
        assert!(missing.code == 404 && missing.body.contains("role=\"alert\""), "{path}: {missing:?}");
    }
}

#[test]
fn a_keeper_logs_in_and_whoever_may_look_finds_no_button() {
    let broker = Broker::start();
    let config = with_tokens(&broker, "");
    let _daemon = Daemon::start(&config);
    let mut browser = Browser::new(&config);
    let sent = browser.get(TANK);
    assert_eq!((sent.code, sent.header("location")), (303, Some("/login?to=%2Ftanks%2Flagoon")), "{sent:?}");
    assert!(!sent.body.contains("lagoon"), "no fact of a tank");
    let mark =
        |page: &Answer| page.body.split("name=\"mark\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    let mut enter = |token: &str| {
        browser.cookie = None;
        let page = browser.get("/login?to=%2Ftanks%2Flagoon");
        let sent = browser.post("/login", &format!("token={token}&back=%2Ftanks%2Flagoon&mark={}", mark(&page)));
        if let Some(cookie) = sent.header("set-cookie") {
            browser.cookie = Some(cookie.split(';').next().unwrap().to_owned());
        }
        (sent, Browser { port: config.http, cookie: browser.cookie.clone() })
    };
    let (wrong, _) = enter("not-the-token-of-anybody");
    assert!(wrong.code == 401 && wrong.body.contains("the token is not known"), "{wrong:?}");
    let (sent, wall) = enter(LOOK);
    assert_eq!((sent.code, sent.header("location")), (303, Some(TANK)));
    let page = wall.get(TANK);
    assert!(page.code == 200 && page.body.contains("wall, may look"), "{page:?}");
    let first = wall.get("/tanks/lagoon/hold/water-change");
    assert!(first.body.contains("a keeper's token") && !first.body.contains("name=\"do\""), "{first:?}");
    let forged = wall.post("/tanks/lagoon/ask", &format!("do=hold&procedure=water-change&mark={}", mark(&page)));
    assert!(forged.code == 403 && forged.body.contains("may look"), "{forged:?}");
    let (_, keeper) = enter(KEEPER);
    let first = keeper.get("/tanks/lagoon/hold/water-change");
    // A mark of another session is none.
    let theirs = fields(&first, "hold").split("&mark=").next().unwrap().to_owned() + "&mark=" + &mark(&page);
    assert_eq!(keeper.post("/tanks/lagoon/ask", &theirs).code, 403);
    let held = keeper.touch(&first, "hold");
    assert!(held.body.contains("Begun by token ana, page"), "{}", held.body);
    let out = keeper.post("/logout", &format!("mark={}", mark(&keeper.get(TANK))));
    assert_eq!(out.header("location"), Some("/login"));
    assert_eq!(keeper.get(TANK).code, 303, "the session is over");
}
