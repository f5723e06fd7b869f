//! What the daemon is compared with: the barest clients that the same library makes.

use std::io::Write;
use std::time::{Duration, Instant};

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{AsyncClient, Event, EventLoop, Incoming, MqttOptions};

/// A client with nodelay on its side; Mosquitto has it on the other.
pub fn client(name: &str, port: u16) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(name, "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(5));
    options.set_max_packet_size(Some(1 << 20));
    let mut network = rumqttc::NetworkOptions::new();
    network.set_tcp_nodelay(true);
    options.set_network_options(network);
    AsyncClient::new(options, 4096)
}

pub fn run<F: Future<Output = ()>>(work: F) {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime").block_on(work);
}

/// Each reading at once becomes the command: no decision, no proof, no state.
pub fn echo(port: u16) {
    run(async move {
        let (client, mut events) = client("bench-echo", port);
        loop {
            match events.poll().await {
                Ok(Event::Incoming(Incoming::ConnAck(_))) => {
                    client.try_subscribe("load/contact/+", QoS::AtLeastOnce).expect("room in the queue");
                }
                Ok(Event::Incoming(Incoming::SubAck(_))) => println!("ready"),
                Ok(Event::Incoming(Incoming::Publish(publish))) => {
                    let topic = String::from_utf8_lossy(&publish.topic).replace("load/contact/", "load/plug/");
                    let payload = if &publish.payload[..] == b"1" { "ON" } else { "OFF" };
                    client.try_publish(topic, QoS::AtLeastOnce, false, payload).expect("room in the queue");
                }
                Ok(_) => {}
                Err(_) => return,
            }
        }
    });
}

/// Takes readings and counts them.
pub fn sink(port: u16) {
    run(async move {
        let (client, mut events) = client("bench-sink", port);
        let (mut count, mut said) = (0_u64, Instant::now());
        loop {
            match events.poll().await {
                Ok(Event::Incoming(Incoming::ConnAck(_))) => {
                    client.try_subscribe("load/temp/+", QoS::AtLeastOnce).expect("room in the queue");
                }
                Ok(Event::Incoming(Incoming::SubAck(_))) => println!("ready"),
                Ok(Event::Incoming(Incoming::Publish(_))) => {
                    count += 1;
                    if count % 1000 == 0 && said.elapsed() > Duration::from_millis(200) {
                        said = Instant::now();
                        println!("{count}");
                        let _ = std::io::stdout().flush();
                    }
                }
                Ok(_) => {}
                Err(_) => return,
            }
        }
    });
}

/// Sends readings as fast as the broker takes them.
pub fn flood(port: u16) {
    run(async move {
        let (client, mut events) = client("bench-flood", port);
        tokio::spawn(async move { while events.poll().await.is_ok() {} });
        println!("ready");
        let mut n = 0_u64;
        loop {
            n += 1;
            // Ten digits, and no leading zero: JSON knows none.
            let payload = format!(r#"{{"temp":25.0625,"seq":{},"ok":true}}"#, 1_000_000_000 + n);
            if client.publish(format!("load/temp/{}", n % 4), QoS::AtMostOnce, false, payload).await.is_err() {
                return;
            }
        }
    });
}
