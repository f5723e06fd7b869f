//! A real Chromium, driven by the `WebDriver` protocol over plain HTTP. [W3C `WebDriver`]

use std::process::{Child, Command, Stdio};

use serde_json::{Value, json};

use super::{free_port, seconds, wait_until};

/// A chromedriver with one window. Ended when it is dropped.
pub struct Browser {
    driver: Child,
    session: String,
    agent: ureq::Agent,
}

/// What a window is like.
#[derive(Clone, Copy)]
pub struct Window {
    pub width: u32,
    pub height: u32,
    pub dark: bool,
    pub script: bool,
}

pub const PHONE: Window = Window { width: 390, height: 844, dark: false, script: true };
pub const TABLET: Window = Window { width: 1180, height: 820, dark: false, script: true };

impl Browser {
    pub fn open(window: Window) -> Self {
        let port = free_port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver is installed (apt-get install chromium chromium-driver)");
        let agent: ureq::Agent =
            ureq::Agent::config_builder().http_status_as_error(false).timeout_global(Some(seconds(60))).build().into();
        let root = format!("http://127.0.0.1:{port}");
        wait_until("chromedriver answers", seconds(30), || agent.get(format!("{root}/status")).call().is_ok());
        let mut arguments = vec![
            "--headless=new".to_owned(),
            "--no-sandbox".to_owned(),
            "--disable-gpu".to_owned(),
            "--disable-dev-shm-usage".to_owned(),
            "--hide-scrollbars".to_owned(),
            format!("--window-size={},{}", window.width, window.height),
        ];
        if window.dark {
            arguments.push("--blink-settings=preferredColorScheme=0".to_owned());
        }
        let mut options = json!({ "args": arguments });
        if !window.script {
            options["prefs"] = json!({ "profile.managed_default_content_settings.javascript": 2 });
        }
        let wish = json!({ "capabilities": { "alwaysMatch": { "goog:chromeOptions": options } } });
        let mut browser = Self { driver, session: root, agent };
        let answer = browser.post("/session", &wish);
        let id = answer["sessionId"].as_str().unwrap_or_else(|| panic!("no window: {answer}")).to_owned();
        browser.session = format!("{}/session/{id}", browser.session);
        if window.width < 500 {
            // A window is not made as narrow as a phone; its picture of a phone is.
            let metrics =
                json!({ "width": window.width, "height": window.height, "deviceScaleFactor": 1, "mobile": false });
            browser.cdp("Emulation.setDeviceMetricsOverride", &metrics);
        }
        browser
    }

    fn post(&self, path: &str, body: &Value) -> Value {
        let mut response = self.agent.post(format!("{}{path}", self.session)).send_json(body).unwrap();
        let mut answer: Value = response.body_mut().read_json().unwrap();
        answer["value"].take()
    }

    pub fn cdp(&self, command: &str, parameters: &Value) -> Value {
        self.post("/goog/cdp/execute", &json!({ "cmd": command, "params": parameters }))
    }

    pub fn go(&self, url: &str) {
        let answer = self.post("/url", &json!({ "url": url }));
        assert!(answer.is_null(), "{url}: {answer}");
    }

    /// What a script gives back.
    pub fn run(&self, script: &str) -> Value {
        let answer = self.post("/execute/sync", &json!({ "script": script, "args": [] }));
        assert!(answer.get("error").is_none(), "{script}: {answer}");
        answer
    }

    fn find(&self, css: &str) -> Option<String> {
        let found = self.post("/element", &json!({ "using": "css selector", "value": css }));
        found.as_object()?.values().next()?.as_str().filter(|_| found.get("error").is_none()).map(str::to_owned)
    }

    /// A touch on what is found first. What a page that moves exchanged between the look and the touch is looked for again.
    pub fn touch(&self, css: &str) {
        for _ in 0..5 {
            let element = self.find(css).unwrap_or_else(|| panic!("there is no `{css}`: {}", self.text("body")));
            let answer = self.post(&format!("/element/{element}/click"), &json!({}));
            if answer["error"] != "stale element reference" {
                assert!(answer.is_null(), "{css}: {answer}");
                return;
            }
        }
        panic!("`{css}` does not stay long enough for a touch");
    }

    /// The text of an element as a person sees it.
    pub fn text(&self, css: &str) -> String {
        let Some(element) = self.find(css) else { return String::new() };
        let mut response = self.agent.get(format!("{}/element/{element}/text", self.session)).call().unwrap();
        let answer: Value = response.body_mut().read_json().unwrap();
        answer["value"].as_str().unwrap_or_default().to_owned()
    }

    pub fn wait_for(&self, css: &str, part: &str) {
        wait_until(&format!("`{css}` says `{part}`"), seconds(20), || self.text(css).contains(part));
    }

    /// The whole page, however long.
    pub fn picture(&self, name: &str) {
        // A window that was just made to be another size may have no picture yet.
        let mut data = None;
        wait_until(&format!("a picture of {name}"), seconds(20), || {
            let wish = json!({ "format": "png", "captureBeyondViewport": true });
            data = self.cdp("Page.captureScreenshot", &wish)["data"].as_str().map(str::to_owned);
            data.is_some()
        });
        let dir = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("target/screenshots");
        std::fs::create_dir_all(&dir).unwrap();
        std::fs::write(dir.join(format!("{name}.png")), base64(&data.unwrap_or_default())).unwrap();
    }

    /// What axe finds against the rules of WCAG 2.2 A and AA and its best practices.
    pub fn violations(&self) -> Vec<String> {
        const AXE: &str = include_str!("../vendor/axe.min.js");
        self.run(AXE);
        let script = "const done = arguments[0]; axe.run().then((found) => done(found.violations.map((one) => \
            `${one.id}: ${one.help}: ${one.nodes.map((node) => node.html.slice(0, 200)).join(' | ')}`)))";
        let answer = self.post("/execute/async", &json!({ "script": script, "args": [] }));
        let all = answer.as_array().unwrap_or_else(|| panic!("axe says nothing: {answer}"));
        all.iter().filter_map(Value::as_str).map(str::to_owned).collect()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.agent.delete(&self.session).call();
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

fn base64(text: &str) -> Vec<u8> {
    let value = |byte: u8| match byte {
        b'A'..=b'Z' => Some(u32::from(byte - b'A')),
        b'a'..=b'z' => Some(u32::from(byte - b'a') + 26),
        b'0'..=b'9' => Some(u32::from(byte - b'0') + 52),
        b'+' => Some(62),
        b'/' => Some(63),
        _ => None,
    };
    let values: Vec<u32> = text.bytes().filter_map(value).collect();
    let group = |four: &[u32]| {
        let bits = four.iter().fold(0, |bits, value| bits << 6 | value) << (6 * (4 - four.len()));
        bits.to_be_bytes()[1..four.len()].to_vec()
    };
    values.chunks(4).flat_map(group).collect()
}
