//! The simulated home behind the broker: carries messages between the world and MQTT, as fast as the clock says.
//!
//! Duty: publish what probes and plugs say, give plugs what is published to them, shut the gate when
//! a fault takes the broker away, and tell what happens. It knows nothing of the daemon: what the
//! daemon sees it sees as messages. It speaks to the broker behind the gate, which never vanishes.

use std::net::SocketAddr;
use std::time::Duration;

use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS, SubscribeFilter};
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, sleep, sleep_until};

use crate::config::TankSetup;
use crate::control::plan::{OutputPlan, Switch};
use crate::shell::clock::Clock;
use crate::sim::keeper::{Ask, Keeper};
use crate::sim::{Broker, Message, Sent, World};
use crate::time::Span;

use super::gate::{Door, Gate};

/// Messages on their way to the broker; what does not fit is lost, as on a real network.
const CHANNEL: usize = 4096;

/// The home with its world.
pub struct Home {
    /// Probes, plugs, water.
    pub world: World,
    /// Who does what sentences say of keepers.
    pub keeper: Keeper,
    /// The same as the daemon's.
    pub clock: Clock,
    /// The broker, behind the gate.
    pub broker: SocketAddr,
    /// The door that the daemon and everybody else come through.
    pub gate: Gate,
    /// The tanks, for the words about them.
    pub tanks: Vec<TankSetup>,
    /// How often the truth is told, in real time; `None`: only at the end.
    pub tell_every: Option<Duration>,
}

impl Home {
    /// Lives until `stop` changes; gives itself back for the last words.
    pub async fn live(mut self, mut stop: watch::Receiver<bool>) -> Self {
        let mut options = MqttOptions::new("simulated-home", self.broker.ip().to_string(), self.broker.port());
        options.set_keep_alive(Duration::from_secs(10)).set_clean_session(true).set_inflight(100);
        let (client, events) = AsyncClient::new(options, CHANNEL);
        let (heard, mut commands) = mpsc::unbounded_channel();
        let topics: Vec<String> = self.world.command_topics().map(str::to_owned).collect();
        let listener = tokio::spawn(listen(client.clone(), events, topics, heard));
        let mut tell_at = self.tell_every.map(|every| Instant::now() + every);
        loop {
            let due =
                self.keeper.next_deadline().map_or(self.world.next_deadline(), |at| at.min(self.world.next_deadline()));
            let due = self.clock.instant(due);
            tokio::select! {
                message = commands.recv() => {
                    let sent = self.world.advance(self.clock.now());
                    publish(&client, sent);
                    if let Some(message) = message {
                        self.world.receive(&message);
                    }
                }
                () = sleep_until(due) => {
                    let sent = self.world.advance(self.clock.now());
                    publish(&client, sent);
                }
                () = sleep_until(tell_at.unwrap_or(due)), if tell_at.is_some() => {
                    self.tell_truth();
                    tell_at = self.tell_every.map(|every| Instant::now() + every);
                }
                _ = stop.changed() => break,
            }
            self.gate.set(if self.world.broker() == Broker::Up { Door::Open } else { Door::Shut });
            for (_, happening) in self.world.take_happenings() {
                tracing::info!("FAULT {happening}");
            }
            for Ask { topic, payload } in self.let_keepers_act() {
                let _ = client.try_publish(topic, QoS::AtLeastOnce, false, payload);
            }
        }
        listener.abort();
        self
    }

    /// Keepers do as sentences say. What becomes of a request is the daemon's answer, and told by it.
    fn let_keepers_act(&mut self) -> Vec<Ask> {
        let now = self.clock.now().steady;
        for (tank, act) in self.world.take_keepers() {
            self.keeper.sets_out(tank, act, now);
        }
        let up = self.world.broker() == Broker::Up;
        let tanks = &self.tanks;
        let mut tell = |tank: usize, words: &str| tracing::info!("KEEPER of {} {words}", tanks[tank].plan.name);
        self.keeper.act(&mut self.world, now, up, &mut tell)
    }

    /// What is true, which no probe says exactly; for the eyes of the person who watches.
    pub fn tell_truth(&self) {
        for tank in &self.tanks {
            if let Some(line) = self.truth(tank) {
                tracing::info!("{line}");
            }
        }
    }

    /// One tank's truth in a line.
    pub fn truth(&self, tank: &TankSetup) -> Option<String> {
        let truth = self.world.truth(&tank.plan.name)?;
        let working: Vec<&str> =
            tank.plan.outputs.iter().zip(&truth.works).filter(|(_, works)| **works).map(|(o, _)| &*o.name).collect();
        let odd = tank
            .plan
            .outputs
            .iter()
            .zip(truth.works.iter().zip(&truth.relays))
            .filter_map(|(o, (w, r))| odd(o, *w, *r));
        let odd: String = odd.collect();
        let floor = if truth.floor_litres > 0.001 {
            format!(", {:.2} L on the floor", truth.floor_litres)
        } else {
            String::new()
        };
        Some(format!(
            "{}: in truth {:.2} °C, level {:+.1} mm, salinity {:.2}, reservoir {:.2} L, room {:.1} °C{floor}; at work: {}{odd}",
            tank.plan.name,
            truth.display_celsius,
            truth.level,
            truth.salinity,
            truth.reservoir_litres,
            truth.room_celsius,
            if working.is_empty() { "nothing".to_owned() } else { working.join(", ") },
        ))
    }

    /// How much time has passed in the home.
    pub fn lived(&self) -> Span {
        Span::from_millis(self.clock.now().steady.millis())
    }
}

/// Where a relay says one thing and the output does another.
fn odd(output: &OutputPlan, works: bool, relay: Switch) -> Option<String> {
    match (works, relay) {
        (true, Switch::Off) => Some(format!("; {} works though its relay says off", output.name)),
        (false, Switch::On) => Some(format!("; {} does not work though its relay says on", output.name)),
        _ => None,
    }
}

fn publish(client: &AsyncClient, sent: Vec<Sent>) {
    for Sent { message, .. } in sent {
        // What is kept must arrive; what is said again in seconds need not.
        let qos = if message.retained { QoS::AtLeastOnce } else { QoS::AtMostOnce };
        let _ = client.try_publish(&*message.topic, qos, message.retained, message.payload);
    }
}

/// Takes what is published to plugs, until nobody wants it.
async fn listen(
    client: AsyncClient,
    mut events: EventLoop,
    topics: Vec<String>,
    heard: mpsc::UnboundedSender<Message>,
) {
    let mut network = rumqttc::NetworkOptions::new();
    network.set_tcp_nodelay(true);
    events.set_network_options(network);
    loop {
        match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                let filters = topics.iter().map(|topic| SubscribeFilter::new(topic.clone(), QoS::AtLeastOnce));
                let _ = client.try_subscribe_many(filters);
            }
            Ok(Event::Incoming(Packet::Publish(publish))) => {
                let message = Message {
                    topic: publish.topic.into(),
                    payload: publish.payload.to_vec(),
                    retained: publish.retain,
                };
                if heard.send(message).is_err() {
                    return;
                }
            }
            Ok(_) => {}
            Err(_) => sleep(Duration::from_millis(200)).await,
        }
    }
}
