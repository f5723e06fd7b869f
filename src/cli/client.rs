//! How commands reach the daemon: over its local HTTP API, as any other program could.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use serde_json::Value;

use crate::config;
use crate::config::setup::TokenSettings;
use crate::shell::first_line;

/// Where the daemon listens if nothing else is said.
const USUAL_URL: &str = "http://127.0.0.1:8480";

/// Longer than the daemon takes to answer what is to be proven.
const TIME_OUT: Duration = Duration::from_secs(35);

/// Which daemon and which tank; the same for every command that asks the daemon.
#[derive(Debug, clap::Args)]
pub struct Daemon {
    /// The tank; the usual one of daemon.yaml if not given.
    #[arg(long, value_name = "TANK")]
    pub tank: Option<String>,
    /// Where the daemon listens; if not given: `SLACKWATER_URL`, else the address in the config, else port 8480 of this machine.
    #[arg(long, value_name = "URL")]
    pub url: Option<String>,
    /// The config directory, to find the daemon's address and token.
    #[arg(long, value_name = "DIR")]
    pub config: Option<PathBuf>,
    /// Says that you are at the tank and see it: from another machine only what is safe unseen is done without.
    #[arg(long)]
    pub on_site: bool,
    /// Prints JSON.
    #[arg(long)]
    pub json: bool,
}

/// Why there is no answer to print.
#[derive(Debug)]
pub enum Failed {
    /// The daemon is not there.
    NotReachable(String),
    /// It refused, or what was named is not there.
    Refused(String),
}

impl Failed {
    /// Prints it and gives the exit code.
    pub fn report(&self) -> ExitCode {
        match self {
            Self::NotReachable(text) => {
                eprintln!("error: {text}");
                ExitCode::from(3)
            }
            Self::Refused(text) => {
                eprintln!("error: {text}");
                ExitCode::from(1)
            }
        }
    }
}

/// An open way to the daemon.
pub struct Client {
    agent: ureq::Agent,
    url: String,
    token: Option<String>,
    on_site: bool,
}

impl Daemon {
    /// The way to the daemon: what is given, what the environment says, what the config says, what is usual.
    pub fn client(&self) -> Result<Client, Failed> {
        let given = self.url.clone().or_else(|| environment("SLACKWATER_URL"));
        let mut token = environment("SLACKWATER_TOKEN");
        let mut url = given;
        let usual_config = PathBuf::from("/etc/slackwater");
        let config = self.config.clone().or_else(|| usual_config.join("daemon.yaml").exists().then_some(usual_config));
        if let Some(dir) = config.filter(|_| url.is_none() || self.config.is_some()) {
            match config::load(&dir) {
                Ok(setup) => {
                    let http = setup.daemon.http;
                    url = url.or_else(|| Some(format!("http://{}", reachable(http.listen))));
                    if token.is_none() {
                        token = of_config(&http.tokens);
                    }
                }
                Err(problems) if self.config.is_some() && url.is_none() => {
                    let text = format!(
                        "the config in `{}` is not sound, so it cannot say where the daemon listens\n{problems}\n  give `--url`",
                        dir.display()
                    );
                    return Err(Failed::Refused(text));
                }
                Err(_) => {}
            }
        }
        // A https URL needs it; a second installation is the same.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let agent = ureq::Agent::config_builder()
            .timeout_global(Some(TIME_OUT))
            .timeout_connect(Some(Duration::from_secs(5)))
            .http_status_as_error(false)
            .user_agent(concat!("slackwater/", env!("CARGO_PKG_VERSION")))
            .build()
            .into();
        let url = url.unwrap_or_else(|| USUAL_URL.to_owned()).trim_end_matches('/').to_owned();
        Ok(Client { agent, url, token, on_site: self.on_site })
    }

    /// The tank that is meant: named, usual or the only one. Where it is not clear, nothing is done.
    pub fn tank(&self, client: &Client) -> Result<String, Failed> {
        if let Some(tank) = &self.tank {
            return Ok(tank.clone());
        }
        let list = client.get("/api/v1/tanks")?;
        if let Some(usual) = list["usual"].as_str() {
            return Ok(usual.to_owned());
        }
        let known: Vec<_> = list["tanks"].as_array().into_iter().flatten().filter_map(|t| t["tank"].as_str()).collect();
        let text = format!(
            "there are several tanks and no usual one; nothing was done\n  tanks: {}\n  name one with `--tank`, or set `usual_tank` in daemon.yaml",
            known.join(", ")
        );
        Err(Failed::Refused(text))
    }
}

#[expect(clippy::disallowed_methods, reason = "where the daemon listens is the asker's to say; no tank depends on it")]
fn environment(name: &str) -> Option<String> {
    std::env::var(name).ok().filter(|value| !value.is_empty())
}

/// The first token that this user can read, a keeper's rather than one that may only look.
fn of_config(tokens: &[TokenSettings]) -> Option<String> {
    let mut tokens: Vec<&TokenSettings> = tokens.iter().collect();
    tokens.sort_by_key(|token| std::cmp::Reverse(token.role));
    tokens.into_iter().find_map(|token| first_line(&token.file).ok())
}

/// An address to listen on may be every address; then it is reached by the loopback's.
fn reachable(listen: std::net::SocketAddr) -> std::net::SocketAddr {
    let mut address = listen;
    if address.ip().is_unspecified() {
        let loopback: std::net::IpAddr =
            if address.is_ipv4() { std::net::Ipv4Addr::LOCALHOST.into() } else { std::net::Ipv6Addr::LOCALHOST.into() };
        address.set_ip(loopback);
    }
    address
}

impl Client {
    /// Facts.
    pub fn get(&self, path: &str) -> Result<Value, Failed> {
        let mut request = self.agent.get(format!("{}{path}", self.url));
        if let Some(token) = &self.token {
            request = request.header("Authorization", format!("Bearer {token}"));
        }
        let response = request.call().map_err(|error| self.not_reachable(&error))?;
        let (ok, value) = self.read(response)?;
        if ok { Ok(value) } else { Err(refused(&value)) }
    }

    /// A request to a tank; its answer, whatever the outcome.
    pub fn ask(&self, tank: &str, request: &Value) -> Result<Value, Failed> {
        self.post(&format!("/api/v1/tanks/{}/ask", escaped(tank)), &self.said(request))
    }

    /// A request to all tanks at once; the worst outcome, and each tank's answer.
    pub fn ask_all(&self, request: &Value) -> Result<Value, Failed> {
        self.post("/api/v1/ask", &self.said(request))
    }

    fn said(&self, request: &Value) -> Value {
        let mut request = request.clone();
        if self.on_site {
            request["on_site"] = Value::from(true);
        }
        request
    }

    /// Facts that are a text of their own, such as a table or a sheet.
    pub fn get_text(&self, path: &str) -> Result<String, Failed> {
        let mut request = self.agent.get(format!("{}{path}", self.url));
        if let Some(token) = &self.token {
            request = request.header("Authorization", format!("Bearer {token}"));
        }
        let mut response = request.call().map_err(|error| self.not_reachable(&error))?;
        let ok = response.status().is_success();
        let text = response.body_mut().read_to_string().map_err(|error| self.not_reachable(&error))?;
        if ok { Ok(text) } else { Err(refused(&serde_json::from_str(&text).unwrap_or(Value::Null))) }
    }

    /// A request to a path; its answer, whatever the outcome.
    pub fn post(&self, path: &str, request: &Value) -> Result<Value, Failed> {
        let mut post = self.agent.post(format!("{}{path}", self.url));
        if let Some(token) = &self.token {
            post = post.header("Authorization", format!("Bearer {token}"));
        }
        let response = post.send_json(request).map_err(|error| self.not_reachable(&error))?;
        let (_, value) = self.read(response)?;
        if value["outcome"].is_string() { Ok(value) } else { Err(refused(&value)) }
    }

    fn read(&self, mut response: ureq::http::Response<ureq::Body>) -> Result<(bool, Value), Failed> {
        let ok = response.status().is_success();
        let text = response.body_mut().read_to_string().map_err(|error| self.not_reachable(&error))?;
        match serde_json::from_str(&text) {
            Ok(value) => Ok((ok, value)),
            Err(_) => Err(Failed::NotReachable(format!(
                "something that is not this daemon answers at {}\n  check `--url` and SLACKWATER_URL",
                self.url
            ))),
        }
    }

    fn not_reachable(&self, error: &ureq::Error) -> Failed {
        Failed::NotReachable(format!(
            "the daemon is not reachable at {}: {error}\n  is it running (`systemctl status slackwater`)? does `http` in its daemon.yaml say this address? `--url` or SLACKWATER_URL name another",
            self.url
        ))
    }
}

/// A name as part of a path: names are plain, and whatever else is typed must not become another path.
pub fn escaped(name: &str) -> String {
    name.bytes().fold(String::new(), |mut path, byte| {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' => path.push(char::from(byte)),
            _ => {
                let _ = write!(path, "%{byte:02X}");
            }
        }
        path
    })
}

fn refused(value: &Value) -> Failed {
    let text = value["detail"].as_str().unwrap_or("the daemon refused");
    let fix = value["fix"].as_str().map(|fix| format!("\n  {fix}")).unwrap_or_default();
    Failed::Refused(format!("{text}{fix}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_never_becomes_another_path() {
        assert_eq!(escaped("lagoon"), "lagoon");
        assert_eq!(escaped("../x y/ä"), "..%2Fx%20y%2F%C3%A4");
    }

    #[test]
    fn a_daemon_that_listens_everywhere_is_reached_by_the_loopback() {
        assert_eq!(reachable("0.0.0.0:8480".parse().unwrap()).to_string(), "127.0.0.1:8480");
        assert_eq!(reachable("[::]:1".parse().unwrap()).to_string(), "[::1]:1");
        assert_eq!(reachable("192.0.2.7:1".parse().unwrap()).to_string(), "192.0.2.7:1");
    }
}
