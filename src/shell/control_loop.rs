//! The control thread's loop: messages, deadlines, questions, and the connection's life.
//!
//! One thing at a time on one thread, so that a reading becomes a command without a hand-over. What
//! can wait (our own state on the broker, samples) is done in pieces when nothing else is there, and
//! now and then under a flood. A connection that fails in any way is dropped whole; the next one is
//! made after a pause that grows from [`FIRST_PAUSE`] to [`LONGEST_PAUSE`].

use std::future::Future;
use std::pin::pin;

use tokio::sync::mpsc;
use tokio::time::{Duration, Instant, Sleep, sleep_until, timeout};

use super::daemon_alarms::DaemonAlarm;
use super::desk::Desk;
use super::job::Job;
use super::mqtt::{self, Arrived, Ended, LinkOptions, Poller, Protocol};
use super::service_manager;

const FIRST_PAUSE: Duration = Duration::from_millis(500);
const LONGEST_PAUSE: Duration = Duration::from_secs(10);
/// After another client took our id: coming back at once would only throw it out in its turn.
const PAUSE_AFTER_TAKEOVER: Duration = Duration::from_secs(30);
/// A connection that lived this long was a good one: the pause starts from the beginning.
const GOOD_AFTER: Duration = Duration::from_secs(30);
/// So many connections that ended soon, one after the other, are an alarm.
const UNSTEADY_AFTER: u32 = 3;
/// Under a flood, what can wait is done once in so many messages.
const IDLE_SHARE: u32 = 256;
/// For the broker to take our good-bye.
const GOOD_BYE: Duration = Duration::from_millis(500);

/// What ends a wait.
enum Turn {
    Shutdown,
    Arrived(Result<Arrived, Ended>),
    Reconnect,
    Reload(Job),
}

/// The connection's life, apart from what the desk does with it.
struct Connection {
    poller: Option<Poller>,
    protocol: Protocol,
    /// When the next attempt is due, while there is no poller.
    retry_at: Instant,
    pause: Duration,
    opened: Instant,
    heard: Instant,
    silence: Duration,
    /// Connections that ended soon, one after the other.
    short: u32,
    /// Attempts by MQTT 5 that the broker ended without an answer.
    unanswered: u32,
    answered: bool,
}

impl Connection {
    fn new() -> Self {
        let now = Instant::now();
        Self {
            poller: None,
            protocol: Protocol::Five,
            retry_at: now,
            pause: FIRST_PAUSE,
            opened: now,
            heard: now,
            silence: Duration::from_secs(15),
            short: 0,
            unanswered: 0,
            answered: false,
        }
    }

    /// Makes the next attempt, if it is due.
    fn open_if_due(&mut self, desk: &mut Desk) {
        let now = Instant::now();
        if self.poller.is_some() || now < self.retry_at {
            return;
        }
        let broker = desk.settings().broker.clone();
        // The library pings every keep-alive; where not even that comes, it hangs in a write.
        self.silence =
            Duration::from_millis(broker.keep_alive.millis()).max(Duration::from_secs(5)) * 3 + Duration::from_secs(5);
        let options = LinkOptions { broker, will_topic: Some(desk.online_topic()) };
        (self.opened, self.heard, self.answered) = (now, now, false);
        match mqtt::open(&options, self.protocol) {
            Ok((sender, poller)) => {
                desk.use_link(Some(sender));
                self.poller = Some(poller);
            }
            Err(error) => {
                desk.meters().connect("failed");
                tracing::error!("no connection to the broker: {error}");
                self.wait(self.pause);
            }
        }
    }

    fn wait(&mut self, pause: Duration) {
        self.retry_at = Instant::now() + pause;
        self.pause = (self.pause * 2).min(LONGEST_PAUSE);
    }

    /// The connection ended by itself: everything of it is dropped, and the reason is acted on.
    fn ended(&mut self, desk: &mut Desk, why: &Ended) {
        let broker = &desk.settings().broker;
        tracing::warn!("the broker at {}:{}: {why}", broker.host, broker.port);
        let was_good = desk.is_established() && self.opened.elapsed() > GOOD_AFTER;
        let refused = matches!(why, Ended::Refused(_) | Ended::WrongProtocol(_));
        if !self.answered {
            desk.meters().connect(if refused { "refused" } else { "failed" });
        }
        self.poller = None;
        desk.disconnected();
        if was_good {
            (self.pause, self.short) = (FIRST_PAUSE, 0);
        } else if self.answered {
            self.short += 1;
        }
        match why {
            Ended::TakenOver => {
                desk.notice(DaemonAlarm::SecondDaemon, Some(why.to_string()));
                self.wait(PAUSE_AFTER_TAKEOVER);
            }
            Ended::WrongProtocol(_) => {
                self.protocol = other(self.protocol);
                self.wait(FIRST_PAUSE);
            }
            Ended::Refused(_) | Ended::Lost(_) => {
                self.choose_protocol(why);
                self.wait(self.pause);
            }
        }
        if self.short >= UNSTEADY_AFTER {
            let text = format!(
                "the broker ended {} connections soon after they began, as it does where another client uses our client id `{}`; the last: {why}",
                self.short,
                desk.settings().broker.client_id
            );
            desk.notice(DaemonAlarm::BrokerUnsteady, Some(text));
        }
    }

    /// A broker that hangs up on MQTT 5 without a word may know 3.1.1 only; where 3.1.1 worked, 5 is
    /// tried again after the next loss, for the broker may be a newer one then.
    fn choose_protocol(&mut self, why: &Ended) {
        if self.answered {
            (self.protocol, self.unanswered) = (Protocol::Five, 0);
        } else if matches!(why, Ended::Lost(text) if text.contains("closed by peer")) {
            self.unanswered += 1;
            if self.unanswered.is_multiple_of(3) {
                self.protocol = other(self.protocol);
            }
        }
    }

    /// A connection that only lives in our memory is given up.
    fn is_silent(&self) -> bool {
        self.poller.is_some() && self.heard.elapsed() > self.silence
    }

    /// Says good-bye and waits a short while for it to be written.
    async fn close(&mut self) {
        if let Some(mut poller) = self.poller.take() {
            let drain = async { while poller.poll().await.is_ok() {} };
            let _ = timeout(GOOD_BYE, drain).await;
        }
    }
}

fn other(protocol: Protocol) -> Protocol {
    match protocol {
        Protocol::Five => Protocol::Three,
        Protocol::Three => Protocol::Five,
    }
}

/// Runs until `shutdown`, and gives the desk back for a clean end.
pub async fn run(mut desk: Desk, mut inbox: mpsc::Receiver<Job>, shutdown: impl Future<Output = ()>) -> Desk {
    let mut shutdown = pin!(shutdown);
    let mut connection = Connection::new();
    // One timer for all waits: most events do not move the next deadline.
    let mut wake = pin!(sleep_until(Instant::now()));
    let mut since_idle = 0;
    loop {
        connection.open_if_due(&mut desk);
        let turn = {
            let (poller, retry_at) = (&mut connection.poller, connection.retry_at);
            let retry_at = poller.is_none().then_some(retry_at);
            let give_up_at = connection.heard + connection.silence;
            wait(&mut desk, poller, retry_at, give_up_at, wake.as_mut(), &mut inbox, shutdown.as_mut()).await
        };
        match turn {
            Turn::Shutdown => break,
            Turn::Reconnect => {}
            Turn::Arrived(Ok(arrived)) => {
                connection.heard = Instant::now();
                if matches!(arrived, Arrived::Connected) {
                    connection.answered = true;
                }
                take(&mut desk, arrived);
                since_idle += 1;
                if since_idle >= IDLE_SHARE {
                    since_idle = 0;
                    desk.idle_work();
                }
            }
            Turn::Arrived(Err(why)) => connection.ended(&mut desk, &why),
            Turn::Reload(job) => reload(&mut desk, &mut connection, job).await,
        }
        if connection.is_silent() {
            connection.ended(&mut desk, &Ended::Lost("nothing was heard for three times the keep-alive".to_owned()));
        }
        if connection.short > 0 && desk.is_established() && connection.opened.elapsed() > GOOD_AFTER {
            (connection.short, connection.pause) = (0, FIRST_PAUSE);
            desk.notice(DaemonAlarm::BrokerUnsteady, None);
        }
    }
    desk.say_good_bye();
    connection.close().await;
    desk
}

/// Waits for the next thing from outside, meeting deadlines and questions meanwhile.
async fn wait(
    desk: &mut Desk,
    poller: &mut Option<Poller>,
    retry_at: Option<Instant>,
    give_up_at: Instant,
    mut wake: std::pin::Pin<&mut Sleep>,
    inbox: &mut mpsc::Receiver<Job>,
    mut shutdown: std::pin::Pin<&mut impl Future<Output = ()>>,
) -> Turn {
    let mut poll = pin!(async {
        match poller {
            Some(poller) => poller.poll().await,
            None => std::future::pending().await,
        }
    });
    // While there is no connection there is none to give up.
    let give_up_at = if retry_at.is_some() { Instant::now() + Duration::from_hours(24) } else { give_up_at };
    let mut more_due = false;
    loop {
        let at = next_wake(desk, retry_at);
        if wake.deadline() != at {
            wake.as_mut().reset(at);
        }
        tokio::select! {
            biased;
            () = shutdown.as_mut() => return Turn::Shutdown,
            () = wake.as_mut(), if !more_due => {
                more_due = desk.meet_deadlines();
                desk.keep_house();
                if retry_at.is_some_and(|at| at <= Instant::now()) || give_up_at <= Instant::now() {
                    return Turn::Reconnect;
                }
            }
            job = inbox.recv() => match job {
                Some(job) => if let Some(reload) = desk.serve(job) {
                    return Turn::Reload(reload);
                },
                None => return Turn::Shutdown,
            },
            arrived = poll.as_mut() => return Turn::Arrived(arrived),
            // Nothing else was there: the other due deadlines, and what can wait.
            () = std::future::ready(()), if more_due || idle_work_is_due(desk) => {
                more_due = false;
                desk.idle_work();
            }
        }
    }
}

fn idle_work_is_due(desk: &Desk) -> bool {
    desk.next_idle_work().is_some_and(|at| at <= Instant::now())
}

/// When something is due by itself.
fn next_wake(desk: &Desk, retry_at: Option<Instant>) -> Instant {
    // What can wait and is due already is done when nothing else is there; it must not look like a deadline.
    let idle = desk.next_idle_work().filter(|at| *at > Instant::now());
    let soonest = [desk.next_deadline(), idle, retry_at].into_iter().flatten().min();
    soonest.map_or(desk.next_housekeeping(), |at| at.min(desk.next_housekeeping()))
}

fn take(desk: &mut Desk, arrived: Arrived) {
    match arrived {
        Arrived::Message(incoming) => desk.hear(&incoming),
        Arrived::Written(packet_id) => desk.written(packet_id),
        Arrived::Acknowledged(packet_id, said) => desk.acknowledged(packet_id, said),
        Arrived::Connected => desk.connected(),
        Arrived::Subscribed(taken) => desk.subscribed(&taken),
        Arrived::Housekeeping => {}
    }
}

async fn reload(desk: &mut Desk, connection: &mut Connection, job: Job) {
    let Job::Reload { setup, reply } = job else {
        return;
    };
    service_manager::reloading();
    let result = match *setup {
        Ok(setup) => {
            desk.reload(setup);
            // Other topics, perhaps another broker: a new connection hears exactly what it should.
            desk.end_link();
            connection.close().await;
            desk.disconnected();
            (connection.retry_at, connection.pause) = (Instant::now(), FIRST_PAUSE);
            Ok(())
        }
        Err(why) => {
            desk.reload_failed(&why);
            Err(why)
        }
    };
    service_manager::reloaded();
    if let Some(reply) = reply {
        let _ = reply.send(result);
    }
}
