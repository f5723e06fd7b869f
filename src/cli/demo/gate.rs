//! The door to the demo's broker: it can be shut, so that a broker that vanishes can be shown.
//!
//! Duty: forward each connection to the broker, byte for byte; tell an MQTT 5 client that only 3.1.1
//! is spoken here, as the standard has it (CONNACK with reason 0x84); and, while shut, refuse
//! connections and cut those that stand. The port is given up while it is shut, as by a dead broker.

use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt, copy_bidirectional};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinSet;

/// Whether connections get through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Door {
    /// They do.
    Open,
    /// They are cut and refused.
    Shut,
}

/// The standing door.
pub struct Gate {
    /// Where clients connect.
    pub address: SocketAddr,
    door: watch::Sender<Door>,
}

impl Gate {
    /// Stands on this port (0: any free one) before the broker.
    pub async fn open(port: u16, broker: SocketAddr) -> io::Result<Self> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).await?;
        let address = listener.local_addr()?;
        let (door, watched) = watch::channel(Door::Open);
        tokio::spawn(keep(listener, address, broker, watched));
        Ok(Self { address, door })
    }

    /// Opens or shuts it.
    pub fn set(&self, door: Door) {
        self.door.send_if_modified(|now| std::mem::replace(now, door) != door);
    }
}

/// Ends when the gate is dropped.
async fn keep(first: TcpListener, address: SocketAddr, broker: SocketAddr, mut door: watch::Receiver<Door>) {
    let mut listener = Some(first);
    let mut through = JoinSet::new();
    loop {
        let is = *door.borrow_and_update();
        if is == Door::Shut {
            listener = None;
            through.shutdown().await;
            if door.changed().await.is_err() {
                return;
            }
            continue;
        }
        let Some(standing) = &listener else {
            match TcpListener::bind(address).await {
                Ok(bound) => listener = Some(bound),
                Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
            }
            continue;
        };
        tokio::select! {
            accepted = standing.accept() => {
                if let Ok((client, _)) = accepted {
                    through.spawn(forward(client, broker));
                }
            }
            // Those that ended are let go.
            Some(_) = through.join_next() => {}
            changed = door.changed() => {
                if changed.is_err() {
                    return;
                }
            }
        }
    }
}

async fn forward(mut client: TcpStream, broker: SocketAddr) {
    let mut start = Vec::new();
    let level = loop {
        match protocol_level(&start) {
            Level::MoreBytes if start.len() < 64 => {
                if !matches!(client.read_buf(&mut start).await, Ok(read) if read > 0) {
                    return;
                }
            }
            level => break level,
        }
    };
    if level == Level::Is(5) {
        // CONNACK, 3 bytes: no session, unsupported protocol version, no properties (MQTT 5, 3.2.2.2).
        let _ = client.write_all(&[0x20, 0x03, 0x00, 0x84, 0x00]).await;
        let _ = client.shutdown().await;
        return;
    }
    let Ok(mut server) = TcpStream::connect(broker).await else { return };
    // Without it, small packets wait for acknowledgements: 20 to 40 ms each.
    let _ = (client.set_nodelay(true), server.set_nodelay(true));
    if server.write_all(&start).await.is_ok() {
        let _ = copy_bidirectional(&mut client, &mut server).await;
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Level {
    Is(u8),
    MoreBytes,
    NotMqtt,
}

/// The protocol level of a CONNECT: fixed header, remaining length (1 to 4 bytes), `00 04 M Q T T`, level.
fn protocol_level(start: &[u8]) -> Level {
    let Some((0x10, rest)) = start.split_first() else {
        return if start.is_empty() { Level::MoreBytes } else { Level::NotMqtt };
    };
    let Some(length) = rest.iter().take(4).position(|byte| byte & 0x80 == 0) else {
        return if rest.len() < 4 { Level::MoreBytes } else { Level::NotMqtt };
    };
    match rest[length + 1..] {
        [0, 4, b'M', b'Q', b'T', b'T', level, ..] => Level::Is(level),
        ref short if short.len() < 7 => Level::MoreBytes,
        _ => Level::NotMqtt,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_level_stands_after_the_name() {
        let five = [0x10, 0x80, 0x01, 0, 4, b'M', b'Q', b'T', b'T', 5, 2];
        assert_eq!(protocol_level(&five), Level::Is(5));
        assert_eq!(protocol_level(&five[..8]), Level::MoreBytes);
        assert_eq!(protocol_level(&[0x10, 12, 0, 4, b'M', b'Q', b'T', b'T', 4, 2]), Level::Is(4));
        assert_eq!(protocol_level(b"GET / HTTP/1.1"), Level::NotMqtt);
        assert_eq!(protocol_level(&[]), Level::MoreBytes);
    }
}
