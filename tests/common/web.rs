//! HTTP as bare bytes, so that a test can do what no decent client does. And a daemon with tokens.

use std::fmt::Write as _;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use serde_json::Value;

use super::{Broker, Config};

pub const KEEPER: &str = "seagrass-and-slack-water";
pub const LOOK: &str = "a-tablet-on-the-wall";

/// A config whose service wants tokens: `ana` is a keeper, `wall` may look. `more` stands beside them in `http`.
pub fn with_tokens(broker: &Broker, more: &str) -> Config {
    let config = Config::new(broker);
    let dir = config.path();
    std::fs::write(dir.join("ana"), format!("{KEEPER}\n")).unwrap();
    std::fs::write(dir.join("wall"), format!("{LOOK}\n")).unwrap();
    let (ana, wall) = (dir.join("ana"), dir.join("wall"));
    let tokens = format!(
        "tokens: {{ ana: {{ role: keeper, file: {} }}, wall: {{ role: look, file: {} }} }}",
        ana.display(),
        wall.display()
    );
    let path = dir.join("daemon.yaml");
    let text = std::fs::read_to_string(&path).unwrap();
    let port = format!("127.0.0.1:{} }}", config.http);
    assert!(text.contains(&port));
    let text = text.replace(&port, &format!("127.0.0.1:{}, {tokens}{more} }}", config.http));
    std::fs::write(path, text).unwrap();
    config
}

#[derive(Debug)]
pub struct Answer {
    pub code: u16,
    pub head: String,
    pub body: String,
}

impl Answer {
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|error| panic!("{error}: {self:?}"))
    }

    pub fn header(&self, name: &str) -> Option<&str> {
        let line = self
            .head
            .lines()
            .find(|line| line.split_once(':').is_some_and(|(known, _)| known.eq_ignore_ascii_case(name)))?;
        line.split_once(':').map(|(_, value)| value.trim())
    }

    /// The kind of a problem, after a look at the fields that the standard asks for.
    pub fn problem(&self) -> String {
        assert_eq!(self.header("content-type"), Some("application/problem+json"), "{self:?}");
        let json = self.json();
        assert_eq!(json["status"], self.code, "{self:?}");
        for field in ["title", "detail", "instance", "fix"] {
            assert!(json[field].is_string(), "{field}: {self:?}");
        }
        json["type"].as_str().unwrap().strip_prefix("/api/problems#").unwrap().to_owned()
    }
}

pub fn connect(port: u16) -> TcpStream {
    let stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    stream
}

/// One request, `headers` as lines; the connection is closed after the answer.
pub fn send(port: u16, method: &str, path: &str, headers: &[&str], body: &str) -> Answer {
    let mut stream = connect(port);
    let mut head = format!("{method} {path} HTTP/1.1\r\nConnection: close\r\n");
    if !headers.iter().any(|line| line.starts_with("Host:")) {
        let _ = write!(head, "Host: 127.0.0.1:{port}\r\n");
    }
    if method != "GET" && !headers.iter().any(|line| line.starts_with("Content-Type:")) {
        head += "Content-Type: application/json\r\n";
    }
    if !body.is_empty() {
        let _ = write!(head, "Content-Length: {}\r\n", body.len());
    }
    for line in headers {
        let _ = write!(head, "{line}\r\n");
    }
    let _ = stream.write_all(format!("{head}\r\n{body}").as_bytes());
    answer(stream)
}

/// What comes until the other side closes.
pub fn answer(mut stream: TcpStream) -> Answer {
    let mut bytes = Vec::new();
    let _ = stream.read_to_end(&mut bytes);
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
    let code = head.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or(0);
    let mut body = body.to_owned();
    if head.to_ascii_lowercase().contains("transfer-encoding: chunked") {
        body = unchunked(&body);
    }
    Answer { code, head: head.to_owned(), body }
}

fn unchunked(mut rest: &str) -> String {
    let mut all = String::new();
    while let Some((size, after)) = rest.split_once("\r\n") {
        let Ok(size) = usize::from_str_radix(size.trim(), 16) else { break };
        if size == 0 || after.len() < size {
            break;
        }
        all += &after[..size];
        rest = after[size..].trim_start_matches("\r\n");
    }
    all
}

pub fn bearer(token: &str) -> String {
    format!("Authorization: Bearer {token}")
}

/// An open stream of events.
pub struct Events {
    stream: TcpStream,
    waiting: Vec<u8>,
}

impl Events {
    pub fn open(port: u16, path: &str, headers: &[&str]) -> Self {
        let mut stream = connect(port);
        let lines = headers.iter().fold(String::new(), |lines, line| lines + line + "\r\n");
        let head = format!("GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n{lines}\r\n");
        stream.write_all(head.as_bytes()).unwrap();
        Self { stream, waiting: Vec::new() }
    }

    /// The next event and its data; `None`: the stream ended.
    pub fn next(&mut self) -> Option<(String, Value)> {
        loop {
            if let Some(at) = self.waiting.windows(2).position(|two| two == b"\n\n") {
                let block: Vec<u8> = self.waiting.drain(..at + 2).collect();
                let block = String::from_utf8(block).unwrap();
                let of = |name: &str| block.lines().find_map(|line| line.strip_prefix(name)).map(str::to_owned);
                if let (Some(event), Some(data)) = (of("event: "), of("data: ")) {
                    return Some((event, serde_json::from_str(&data).unwrap()));
                }
                continue;
            }
            let mut bytes = [0; 8192];
            let count = self.stream.read(&mut bytes).ok().filter(|count| *count > 0)?;
            // Chunk heads are lines of their own between the events: no line of an event begins with a bare number.
            self.waiting.extend(bytes[..count].iter().filter(|byte| **byte != b'\r'));
        }
    }

    /// The next event of this name that fits.
    pub fn wait_for(&mut self, name: &str, fits: impl Fn(&Value) -> bool) -> Value {
        for _ in 0..400 {
            let (event, data) = self.next().unwrap_or_else(|| panic!("the stream ended before `{name}`"));
            if event == name && fits(&data) {
                return data;
            }
        }
        panic!("no `{name}` that fits");
    }
}
