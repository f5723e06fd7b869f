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
        self.fill(page, &[("do", what)], "")
    }

    /// Fills in the form that has these hidden fields, and sends it.
    fn fill(&self, page: &Answer, hidden: &[(&str, &str)], typed: &str) -> Answer {
        let sent = self.post(&format!("{TANK}/ask"), &(fields_of(page, hidden) + typed));
        assert_eq!(sent.code, 303, "{sent:?}");
        self.get(sent.header("location").expect("one is sent on"))
    }
}

/// The fields of the form that asks for `what`, as a browser sends them.
fn fields(page: &Answer, what: &str) -> String {
    fields_of(page, &[("do", what)])
}

/// The same of the form that has these hidden fields.
fn fields_of(page: &Answer, hidden: &[(&str, &str)]) -> String {
    let has = |form: &&str, (name, value): &(&str, &str)| form.contains(&format!("name=\"{name}\" value=\"{value}\""));
    let mut forms = page.body.split("<form").filter_map(|form| form.split("</form>").next());
    let form = forms.find(|form| hidden.iter().all(|field| has(form, field)));
    let form = form.unwrap_or_else(|| panic!("no form with {hidden:?}: {}", page.body));
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

/// The small lagoon with something that may be bypassed and a dosing pump with a plan.
fn stage() -> (Broker, Config, Daemon, World) {
    let broker = Broker::start();
    let config = Config::new(&broker);
    config.write_tank("lagoon", &common::more_lagoon());
    let daemon = Daemon::start(&config);
    let world = World::new(&broker);
    world.settle(24.9);
    (broker, config, daemon, world)
}

#[test]
fn without_script_proofs_are_seen_begun_followed_and_ended() {
    let (_broker, config, daemon, _world) = stage();
    let browser = Browser::new(&config);
    let tank = browser.get(TANK);
    assert!(tank.body.contains("href=\"/tanks/lagoon/proofs\""), "{}", tank.body);
    let page = browser.get("/tanks/lagoon/proofs");
    for part in ["0 of ", "Skimmer switches: never proven", "Prove: skimmer switches", "<p class=\"state\">due "] {
        assert!(page.body.contains(part), "{part}: {}", page.body);
    }
    assert!(!page.body.contains("http-equiv"), "nothing moves yet");
    let skimmer = [("act", "begin"), ("what", "skimmer switches")];
    let begun = browser.fill(&page, &skimmer, "");
    for part in ["id=\"told\"", "Done", "<h2 id=\"step\">Skimmer switches</h2>", "1 left", "I am there"] {
        assert!(begun.body.contains(part), "{part}: {}", begun.body);
    }
    assert_eq!(daemon.status()["proofs"]["session"]["stage"], "ready");
    let ready = browser.fill(&begun, &[("act", "ready")], "");
    assert!(ready.body.contains("<noscript><meta http-equiv=\"refresh\" content=\"5\">"), "{}", ready.body);
    // What it sees stands there, and what a person has to say is asked.
    wait_until("the daemon asks", seconds(60), || daemon.status()["proofs"]["session"]["stage"] == "asking");
    let asked = browser.get("/tanks/lagoon/proofs");
    let instruction = daemon.status()["proofs"]["session"]["instruction"].as_str().unwrap().to_owned();
    assert!(asked.body.contains(&instruction[1..]), "{instruction}: {}", asked.body);
    let done = browser.fill(&asked, &[("act", "yes")], "");
    assert!(done.body.contains("Skimmer switches: proven"), "{}", done.body);
    assert_eq!(daemon.status()["proofs"]["session"], serde_json::Value::Null);
    // One that is begun can be left.
    let begun = browser.fill(&done, &[("act", "begin"), ("what", "heater switches")], "");
    let ended = browser.fill(&begun, &[("act", "stop")], "");
    assert!(ended.body.contains("Heater switches: never proven"), "{}", ended.body);
    assert_eq!(daemon.status()["proofs"]["session"], serde_json::Value::Null);
    // The script asks for what moves alone.
    let live = browser.get("/tanks/lagoon/proofs?part=live");
    assert!(live.body.starts_with("<h1>Proof tests</h1>") && !live.body.contains("<html"), "{}", live.body);
}

#[test]
fn without_script_one_cause_is_bypassed_with_a_reason_and_what_never_is_says_why() {
    let (_broker, config, daemon, world) = stage();
    let browser = Browser::new(&config);
    let page = browser.get("/tanks/lagoon/safeguards");
    let cutoff = page.body.split("id=\"safeguard-heater-cutoff\"").nth(1).unwrap().split("</article>").next().unwrap();
    assert!(cutoff.contains("Never bypassed: ") && !cutoff.contains("<form"), "{cutoff}");
    let bubbles = [("do", "bypass"), ("interlock", "too-warm-for-bubbles")];
    let why_not = browser.fill(&page, &bubbles, "&reason=.&lasting=2+h");
    assert!(why_not.body.contains("Refused") && why_not.body.contains("needs its reason"), "{}", why_not.body);
    let set = browser.fill(&page, &bubbles, "&reason=a+new+lid+comes+tomorrow&lasting=4+h");
    for part in ["Done", "Bypassed by page", "a new lid comes tomorrow", "3 h 59 min left", "It acts again now"] {
        assert!(set.body.contains(part), "{part}: {}", set.body);
    }
    world.temperature(25.7);
    wait_until("the cause stands and forces nothing", seconds(10), || {
        let page = browser.get("/tanks/lagoon/safeguards");
        page.body.contains("Its cause stands meanwhile.") && daemon.status()["outputs"][2]["decided"] == "on"
    });
    assert!(browser.get(TANK).body.contains("Bypassed: too warm for bubbles"));
    let ended = browser.touch(&set, "end-bypass");
    assert!(ended.body.contains("is no longer bypassed"), "{}", ended.body);
    wait_until("it acts", seconds(10), || daemon.status()["outputs"][2]["decided"] == "off");
    // A form that was forged for what is never bypassed is refused by the core, in its words.
    let forged = fields_of(&page, &bubbles).replace("too-warm-for-bubbles", "heater-cutoff");
    let sent = browser.post("/tanks/lagoon/ask", &(forged + "&reason=a+reason+in+words&lasting=1+h"));
    let told = browser.get(sent.header("location").unwrap());
    assert!(told.body.contains("heater-cutoff is never bypassed"), "{}", told.body);
}

#[test]
fn without_script_new_water_is_told_and_judged_before_the_release() {
    let (_broker, config, daemon, _world) = stage();
    let browser = Browser::new(&config);
    assert!(!browser.get(TANK).body.contains("id=\"new-water\""), "no water is being changed");
    let held = browser.touch(&browser.get("/tanks/lagoon/hold/water-change"), "hold");
    assert!(held.body.contains("id=\"new-water\""), "{}", held.body);
    let release = browser.get("/tanks/lagoon/release/water-change");
    let water = [("do", "new-water")];
    let no_unit = browser.fill(&release, &water, "&litres=9&salinity=&temperature=");
    assert!(no_unit.body.contains("Not understood") && no_unit.body.contains("litres"), "{}", no_unit.body);
    let cold = browser.fill(&release, &water, "&litres=40+L&salinity=&temperature=15+%C2%B0C");
    assert!(cold.body.contains("Refused") && cold.body.contains("waits until you confirm it"), "{}", cold.body);
    let told = daemon.status()["holds"][0]["told_water"].as_str().unwrap().to_owned();
    assert!(told.starts_with("40.0 L: temperature -4."), "{told}");
    assert!(browser.get("/tanks/lagoon/release/water-change").body.contains(&told), "{told}");
    let page = browser.get("/tanks/lagoon/release/water-change");
    let kept = browser.touch(&page, "release");
    assert!(kept.body.contains("Refused") && kept.body.contains("bring the new water nearer"), "{}", kept.body);
    assert_eq!(daemon.status()["holds"][0]["active"], true);
    let confirmed = browser.fill(&page, &water, "&litres=40+L&temperature=15+%C2%B0C&confirm=yes");
    assert!(confirmed.body.contains("too much at once for most animals, and confirmed"), "{}", confirmed.body);
    let released = browser.touch(&browser.get("/tanks/lagoon/release/water-change"), "release");
    assert!(released.body.contains("Done"), "{}", released.body);
    wait_until("it is released", seconds(5), || daemon.status()["holds"][0]["active"] == false);
}

#[test]
fn without_script_a_proposed_dose_is_seen_declined_and_approved() {
    let (_broker, config, daemon, _world) = stage();
    let browser = Browser::new(&config);
    assert!(browser.get(TANK).body.contains("href=\"/tanks/lagoon/doses\""));
    let page = browser.get("/tanks/lagoon/doses");
    assert!(page.body.contains("in force: 20.0 mL a day of") && page.body.contains("Nothing is proposed."), "{page:?}");
    common::propose(&daemon);
    let plan = || daemon.status()["dosing"][0]["maintenance_ml_per_day"].as_f64().unwrap();
    let page = browser.get("/tanks/lagoon/doses");
    assert!(page.body.contains("Proposed, and not in force"), "{}", page.body);
    let line = daemon.status()["dosing"][0]["proposal"][0].as_str().unwrap().to_owned();
    assert!(page.body.contains(&line), "{line}: {}", page.body);
    let dropped = browser.fill(&page, &[("do", "dose"), ("what", "decline")], "");
    assert!(dropped.body.contains("is dropped") && dropped.body.contains("Nothing is proposed."), "{}", dropped.body);
    assert!((plan() - 20.0).abs() < 1e-9);
    common::propose(&daemon);
    let page = browser.get("/tanks/lagoon/doses");
    let taken = browser.fill(&page, &[("do", "dose"), ("what", "approve")], "");
    assert!(taken.body.contains("Done") && taken.body.contains("Nothing is proposed."), "{}", taken.body);
    assert!(plan() > 20.5, "{}", plan());
    assert!(taken.body.contains(&format!("in force: {:.1} mL a day", plan())), "{}", taken.body);
}

#[test]
fn status_topic_list_and_page_say_the_same_sentence_and_a_chore_that_is_done_leaves_it_at_once() {
    let broker = Broker::start();
    let config = Config::new(&broker);
    config
        .write_tank("lagoon", &format!("{}chores:\n  filter-sock: {{ every: 7 d, does: wash it }}\n", common::LAGOON));
    let daemon = Daemon::start(&config);
    let world = World::new(&broker);
    world.settle(24.9);
    let browser = Browser::new(&config);
    let sentence = || daemon.status()["sentence"].as_str().unwrap().to_owned();
    let due = "Steady. 24.9 °C; filter sock due.";
    wait_until("the chore is in the sentence", seconds(20), || sentence() == due);
    assert_eq!(daemon.status()["mood"], "steady");
    let page = browser.get(TANK);
    assert!(page.body.contains(&format!("<p class=\"lead mood-steady\" id=\"sentence\">{due}</p>")), "{}", page.body);
    let said = common::text(&daemon.ask(&["status"]));
    assert!(said.starts_with(&format!("Seagrass lagoon (lagoon): {due}\n")), "{said}");
    assert_eq!(daemon.json("/api/v1/tanks")["tanks"][0]["sentence"], due);
    world.wait_for("slackwater/lagoon/status", seconds(10), |status| status.contains(due));
    let log = browser.get("/tanks/lagoon/log");
    let noted = browser.post("/tanks/lagoon/note", &fields_of(&log, &[("do", "done"), ("chore", "filter-sock")]));
    assert_eq!(noted.code, 303, "{noted:?}");
    assert_eq!(sentence(), "Steady. 24.9 °C.");
    // A trip is said once, by its alarm.
    world.temperature(26.6);
    wait_until("it trips", seconds(10), || daemon.status()["interlocks"][0]["state"] != "armed");
    let status = daemon.status();
    let trip = status["alarms"].as_array().unwrap().iter().find(|alarm| alarm["trip_of"] == "heater-cutoff").unwrap();
    assert_eq!(trip["alarm"], "heater-cutoff-trip");
    assert_eq!(status["mood"], "now");
    assert!(sentence().starts_with("Needs you now: heater cutoff trip. "), "{}", sentence());
}

#[test]
fn a_look_at_what_moves_reads_neither_history_nor_log() {
    let broker = Broker::start();
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    let world = World::new(&broker);
    world.settle(24.9);
    // Bytes that the process has read from files; sockets do not count. [proc(5): rchar]
    let read = || -> u64 {
        let io = std::fs::read_to_string(format!("/proc/{}/io", daemon.pid())).unwrap();
        io.lines().find_map(|line| line.strip_prefix("rchar: ")).unwrap().parse().unwrap()
    };
    let browser = Browser::new(&config);
    let look = || assert_eq!(browser.get("/tanks/lagoon?part=live").code, 200);
    look();
    let before = read();
    (0..50).for_each(|_| look());
    let each = (read() - before) / 50;
    assert!(each < 1024, "{each} bytes are read for each look");
    // The yardstick works: a chart does read.
    let before = read();
    daemon.json("/api/v1/tanks/lagoon/history?signal=water-temp");
    assert!(read() - before > 1024, "{}", read() - before);
}
