//! What open streams of events cost the reaction of a trip: the same trips with fifty of them and with none, in one run.
//!
//! Rounds alternate, so that what else the machine does meets both. The streams' readers are threads of this process, on
//! the same cores as the daemon: some of what is measured is theirs.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use super::bare;
use super::reaction::{Watcher, example, trips};
use super::servers::{self, Broker, Daemon};

const STREAMS: usize = 50;
const ROUNDS: usize = 6;
const TRIPS: usize = 100;

/// Opens a stream and reads it away until it ends.
fn open(port: u16) -> TcpStream {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the daemon listens");
    let head = format!("GET /api/v1/tanks/lagoon/events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n");
    stream.write_all(head.as_bytes()).expect("it takes a request");
    let mut reads = stream.try_clone().expect("a second handle");
    std::thread::spawn(move || {
        let mut bytes = [0; 8192];
        while reads.read(&mut bytes).is_ok_and(|count| count > 0) {}
    });
    stream
}

/// Measures and prints.
pub fn measure(broker: &Broker) {
    let daemon = Daemon::start_with(broker, example);
    let (mut alone, mut watched) = (Vec::new(), Vec::new());
    bare::run(async {
        let mut watcher = Watcher::start(broker.port).await;
        watcher.settle().await;
        for _ in 0..ROUNDS {
            alone.extend(trips(&mut watcher, "bench/quick", Duration::ZERO, TRIPS).await);
            let streams: Vec<TcpStream> = (0..STREAMS).map(|_| open(daemon.http)).collect();
            tokio::time::sleep(Duration::from_secs(1)).await;
            watched.extend(trips(&mut watcher, "bench/quick", Duration::ZERO, TRIPS).await);
            for stream in streams {
                let _ = stream.shutdown(std::net::Shutdown::Both);
            }
            tokio::time::sleep(Duration::from_secs(2)).await;
        }
    });
    let [half, most] = servers::ranks(&mut alone, [0.50, 0.99]);
    let [half_watched, most_watched] = servers::ranks(&mut watched, [0.50, 0.99]);
    println!(
        "reaction with {STREAMS} event streams, {} trips each: p50 {half:.2} ms without and {half_watched:.2} ms with, ratio {:.2}; p99 {most:.2} ms and {most_watched:.2} ms, ratio {:.2} (target: at most 1.1)",
        ROUNDS * TRIPS,
        half_watched / half,
        most_watched / most,
    );
}
