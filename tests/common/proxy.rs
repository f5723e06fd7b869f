//! A stretch of network between a daemon and its broker that can be cut, frozen without closing, and slowed down.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::time::{Duration, Instant};

/// Forwards connections byte for byte, as long as it is told to.
pub struct Proxy {
    pub port: u16,
    state: Arc<State>,
}

#[derive(Default)]
struct State {
    /// Nothing gets through, and nothing is closed: a half-open connection to either side.
    frozen: AtomicBool,
    delay_ms: AtomicU64,
    open: Mutex<Vec<TcpStream>>,
    /// Connections that were accepted.
    accepted: AtomicU64,
}

impl Proxy {
    pub fn before(broker: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let state: Arc<State> = Arc::default();
        let shared = Arc::clone(&state);
        std::thread::spawn(move || {
            for client in listener.incoming().map_while(Result::ok) {
                shared.accepted.fetch_add(1, Ordering::Relaxed);
                let Ok(server) = TcpStream::connect(("127.0.0.1", broker)) else { continue };
                let _ = (client.set_nodelay(true), server.set_nodelay(true));
                let ends = (client.try_clone().unwrap(), server.try_clone().unwrap());
                shared.open.lock().unwrap().extend([client.try_clone().unwrap(), server.try_clone().unwrap()]);
                carry(client, server, Arc::clone(&shared));
                carry(ends.1, ends.0, Arc::clone(&shared));
            }
        });
        Self { port, state }
    }

    /// From now on nothing gets through in either direction; connections stay open. What is said meanwhile is lost.
    pub fn freeze(&self) {
        self.state.frozen.store(true, Ordering::SeqCst);
    }

    /// What is open is cut, and new connections get through.
    pub fn thaw(&self) {
        for stream in self.state.open.lock().unwrap().drain(..) {
            let _ = stream.shutdown(Shutdown::Both);
        }
        self.state.frozen.store(false, Ordering::SeqCst);
    }

    /// Everything takes so long from now on, in both directions; the order stays.
    pub fn delay(&self, by: Duration) {
        self.state.delay_ms.store(u64::try_from(by.as_millis()).unwrap(), Ordering::SeqCst);
    }

    pub fn accepted(&self) -> u64 {
        self.state.accepted.load(Ordering::Relaxed)
    }
}

fn carry(mut from: TcpStream, mut to: TcpStream, state: Arc<State>) {
    let (send, queue) = mpsc::channel::<(Instant, Vec<u8>)>();
    let reader = Arc::clone(&state);
    std::thread::spawn(move || {
        let mut buffer = [0; 16 << 10];
        loop {
            match from.read(&mut buffer) {
                Ok(count) if count > 0 => {
                    // A frozen stretch swallows it: the connection can never be used again.
                    if !reader.frozen.load(Ordering::SeqCst) {
                        let delay = Duration::from_millis(reader.delay_ms.load(Ordering::SeqCst));
                        let _ = send.send((Instant::now() + delay, buffer[..count].to_vec()));
                    }
                }
                _ => return,
            }
        }
    });
    std::thread::spawn(move || {
        for (at, bytes) in queue {
            std::thread::sleep(at.saturating_duration_since(Instant::now()));
            if !state.frozen.load(Ordering::SeqCst) && to.write_all(&bytes).is_err() {
                return;
            }
        }
        if !state.frozen.load(Ordering::SeqCst) {
            let _ = to.shutdown(Shutdown::Both);
        }
    });
}
