//! Sends readings and sees what comes back, as a third client.

use std::time::{Duration, Instant};

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{Event, Incoming};

use super::bare;
use super::servers::Scale;

/// Contacts and plugs of the one-tank config: enough that each is answered before it speaks again.
pub const CONTACTS: usize = 10;

/// p50 and p99 of the time from sending a reading to seeing its command, in µs.
pub fn latency(port: u16, per_second: u64, span: Duration) -> [f64; 2] {
    let mut micros: Vec<f64> = Vec::new();
    bare::run(async {
        let (client, mut events) = bare::client("bench-driver", port);
        let mut sent_at = [None::<Instant>; CONTACTS];
        let mut tick = tokio::time::interval(Duration::from_micros(1_000_000 / per_second));
        let mut n = 0_usize;
        let mut start: Option<Instant> = None;
        let warm = Duration::from_millis(1500);
        loop {
            tokio::select! {
                event = events.poll() => match event.expect("the broker stays") {
                    Event::Incoming(Incoming::ConnAck(_)) => {
                        client.try_subscribe("load/plug/+", QoS::AtLeastOnce).expect("room in the queue");
                    }
                    Event::Incoming(Incoming::SubAck(_)) => start = Some(Instant::now()),
                    Event::Incoming(Incoming::Publish(publish)) => {
                        let topic = String::from_utf8_lossy(&publish.topic).into_owned();
                        let index: usize = topic.rsplit('/').next().and_then(|n| n.parse().ok()).expect("our topics");
                        if let (Some(at), Some(start)) = (sent_at[index].take(), start)
                            && start.elapsed() > warm
                        {
                            micros.push(at.elapsed().as_secs_f64() * 1e6);
                        }
                    }
                    _ => {}
                },
                _ = tick.tick(), if start.is_some() => {
                    if start.is_some_and(|start| start.elapsed() > warm + span) {
                        break;
                    }
                    let index = n % CONTACTS;
                    let payload = if (n / CONTACTS).is_multiple_of(2) { "1" } else { "0" };
                    sent_at[index] = Some(Instant::now());
                    client
                        .try_publish(format!("load/contact/{index}"), QoS::AtLeastOnce, false, payload)
                        .expect("room in the queue");
                    n += 1;
                }
            }
        }
    });
    assert!(micros.len() > 1000, "commands came back: {}", micros.len());
    super::servers::ranks(&mut micros, [0.50, 0.99])
}

/// Gives every probe of the config a few readings.
pub fn feed(port: u16, scale: Scale) {
    bare::run(async {
        let (client, mut events) = bare::client("bench-feeder", port);
        tokio::spawn(async move { while events.poll().await.is_ok() {} });
        for round in 0..4 {
            for topic in scale.topics() {
                let payload = format!(r#"{{"temp":{}}}"#, 25.0 + 0.01 * f64::from(round));
                client.publish(topic, QoS::AtLeastOnce, false, payload).await.expect("the broker stays");
            }
            tokio::time::sleep(Duration::from_millis(1500)).await;
        }
    });
}
