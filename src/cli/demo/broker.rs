//! A broker in this process, so that a first look needs nothing installed.
//!
//! Duty: start rumqttd on a loopback port that nobody else has, and prove that it answers. It has no
//! stop of its own; it ends with the process. It stands behind the gate (`gate.rs`).
//!
//! What was tried with rumqttd 0.20.0, and why the demo speaks MQTT 3.1.1:
//! - 3.1.1: a publish at level 1 is acknowledged; retained messages come to new subscriptions, wildcards too, with
//!   their flag; a will is published and kept when a connection drops; 100 filters in one SUBSCRIBE
//!   are taken; a second client with one id throws the first out; overlapping subscriptions deliver twice.
//! - 5: the same works, but "no local" is ignored (the daemon would see its own commands as somebody
//!   else's), an acknowledgement never says that nobody listens, and a client that is thrown out is
//!   not told why. Message expiry is passed on and not needed by 3.1.1.
//! - An MQTT 5 client at its 3.1.1 listener is cut off without an answer; the gate answers for it.

#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "the broker is outside of the daemon, and its library wants its own types"
)]

use std::collections::HashMap;
use std::fmt;
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::time::Duration;

use rumqttd::{Broker, Config, ConnectionSettings, RouterConfig, ServerSettings};

/// Why there is no broker.
#[derive(Debug)]
pub enum BrokerError {
    /// No port on the loopback interface, or not the one that was asked for.
    NoPort(std::io::Error),
    /// It was started and does not answer.
    NoAnswer(SocketAddr),
}

impl fmt::Display for BrokerError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoPort(why) => write!(f, "the broker gets no port: {why}\n  choose another one with `--port`"),
            Self::NoAnswer(at) => write!(f, "the built-in broker does not answer on {at}\n  try again"),
        }
    }
}

impl std::error::Error for BrokerError {}

/// Starts the broker and waits until it answers. Gives its address, MQTT 3.1.1.
pub fn start() -> Result<SocketAddr, BrokerError> {
    let free = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).map_err(BrokerError::NoPort)?;
    let address = free.local_addr().map_err(BrokerError::NoPort)?;
    // The library binds the port itself; between here and there it is free for a moment.
    drop(free);
    let mut broker = Broker::new(config(address));
    let thread = std::thread::Builder::new().name("broker".to_owned());
    thread.spawn(move || drop(broker.start())).map_err(BrokerError::NoPort)?;
    for _ in 0..100 {
        if TcpStream::connect_timeout(&address, Duration::from_millis(200)).is_ok() {
            return Ok(address);
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    Err(BrokerError::NoAnswer(address))
}

fn config(listen: SocketAddr) -> Config {
    let connections = ConnectionSettings {
        connection_timeout_ms: 5000,
        max_payload_size: 1 << 20,
        max_inflight_count: 200,
        auth: None,
        external_auth: None,
        dynamic_filters: true,
    };
    let name = "demo".to_owned();
    let server = ServerSettings { name: name.clone(), listen, tls: None, next_connection_delay_ms: 1, connections };
    let router = RouterConfig {
        max_connections: 64,
        max_outgoing_packet_count: 200,
        // Small: the log of each topic is kept in memory.
        max_segment_size: 64 << 10,
        max_segment_count: 4,
        ..RouterConfig::default()
    };
    Config { router, v4: Some(HashMap::from([(name, server)])), ..Config::default() }
}
