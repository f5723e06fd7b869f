//! The daemon from its start to its end.

use std::collections::BTreeMap;
use std::fmt;
use std::future::Future;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, watch};

use crate::config::{Setup, TankSetup};
use crate::control::Remembered;
use crate::time::Wall;
use crate::wire::metrics::Meters;

use super::clock::Clock;
use super::daemon_alarms::DaemonAlarm;
use super::desk::{Desk, Parts};
use super::http::{self, Loader};
use super::job::Job;
use super::lock::{DataLock, LockError};
use super::notify::{self, Notifier};
use super::pulse::Pulse;
use super::store::{Found, OpenError, Store, doubts};
use super::{background, care, control_loop, look, service_manager};

/// Questions to control that may wait.
const INBOX: usize = 64;

/// How to run, besides the config.
#[derive(Default)]
pub struct Options {
    /// How to read the config anew, on SIGHUP and by request; `None`: it cannot be.
    pub loader: Option<Loader>,
    /// What can be worked out by request; `None`: nothing.
    pub calculations: Option<http::Calculations>,
    /// Clocks that run already, perhaps faster than life: the demo's, which its simulated home shares. `None`: as life.
    pub clock: Option<Clock>,
    /// Told the HTTP address once it listens: a port of 0 is chosen by the system.
    pub on_listen: Option<Box<dyn FnOnce(SocketAddr) + Send>>,
    /// Whether SIGHUP reloads; a process that runs more than the daemon may not want it.
    pub hang_up_reloads: bool,
}

/// Why the daemon does not start.
#[derive(Debug)]
pub enum RunError {
    /// Another daemon works on the data directory.
    DataTaken(LockError),
    /// The store is a newer daemon's.
    Store(OpenError),
    /// Another daemon works at the broker.
    AnotherDaemon {
        /// The root of the topics.
        root: String,
        /// Its instance.
        instance: String,
    },
    /// The operating system refused a thread or a runtime.
    System(std::io::Error),
}

impl fmt::Display for RunError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::DataTaken(error) => error.fmt(f),
            Self::Store(error) => error.fmt(f),
            Self::AnotherDaemon { root, instance } => write!(
                f,
                "another daemon (`{instance}`) is at work at this broker under `{root}`\n  stop that one first, or give this one its own client id, root topic and plugs"
            ),
            Self::System(error) => write!(f, "the system refused a thread or a runtime: {error}"),
        }
    }
}

impl std::error::Error for RunError {}

/// Runs the daemon on this thread until `shutdown`, and ends it cleanly.
pub fn run(setup: Setup, options: Options, shutdown: impl Future<Output = ()>) -> Result<(), RunError> {
    // Every TLS in the process is ring's; a second daemon in the same process finds it installed.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let settings = setup.daemon.clone();
    let (_lock, lock_trouble) = match DataLock::take(&settings.data_dir) {
        Ok(lock) => (Some(lock), None),
        Err(taken @ LockError::Taken { .. }) => return Err(RunError::DataTaken(taken)),
        // A broken disk must not leave the tank without control.
        Err(io) => (None, Some(io.to_string())),
    };
    let channels: Vec<&str> = settings.notify.channels.iter().map(|channel| &*channel.name).collect();
    let meters = Meters::new(&DaemonAlarm::words(), &channels);
    let (store, found) = Store::open(&settings.data_dir, meters.clone()).map_err(RunError::Store)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(RunError::System)?;
    runtime.block_on(async {
        if let Some(instance) = look::for_another(&settings.broker, &settings.root, &found.instance).await {
            return Err(RunError::AnotherDaemon { root: settings.root.clone(), instance });
        }
        let clock = options.clock.unwrap_or_else(|| Clock::start(1.0));
        let pulse = Arc::new(Pulse::default());
        let notifier = Notifier::start(notify::Parts {
            clock,
            settings: settings.notify.clone(),
            broker: settings.broker.clone(),
            zone: notify::zone(&settings, setup.tanks.iter().map(|tank| &tank.plan)),
            data_dir: settings.data_dir.clone(),
            pulse: Arc::clone(&pulse),
            meters: meters.clone(),
        });
        let trouble = lock_trouble.or_else(|| found.damaged.clone());
        let instance = found.instance.clone();
        let care_parts = care::Parts::new(&setup, found.care.clone(), store.care_writer(), clock);
        let care = care_parts.handle();
        let steadiness = found.steadiness.clone();
        store.expect(setup.tanks.iter().map(|tank| tank.plan.name.to_string()).collect());
        let (tanks, shelf) = remembered(setup.tanks, found);
        meters.reload_ok.set(1);
        meters.reload_at.set(clock.now().wall.unix_seconds());
        let parts = Parts {
            clock,
            settings: setup.daemon,
            tanks,
            shelf,
            store,
            notifier,
            care: care.clone(),
            meters: meters.clone(),
            pulse: Arc::clone(&pulse),
            instance,
            steadiness,
        };
        let mut desk = Desk::new(parts);
        if trouble.is_some() {
            desk.notice(DaemonAlarm::StoreDamaged, trouble);
        }
        let (outbox, inbox) = mpsc::channel(INBOX);
        let (stop, stopped) = watch::channel(false);
        let keeper = {
            let control = outbox.clone();
            background::spawn("care", move || care_parts.run(control)).map_err(RunError::System)?
        };
        let service = http::Service {
            settings: settings.http.clone(),
            inbox: outbox.clone(),
            meters,
            pulse,
            care: care.clone(),
            loader: options.loader.clone(),
            calculations: options.calculations,
            data_dir: settings.data_dir.clone(),
            clock,
            public_url: settings.notify.public_url.clone(),
            on_listen: options.on_listen,
        };
        let web = background::spawn("http", move || http::run(service, stopped)).map_err(RunError::System)?;
        if let (true, Some(loader)) = (options.hang_up_reloads, options.loader) {
            reload_on_hang_up(loader, outbox.clone());
        }
        let desk = control_loop::run(desk, inbox, shutdown).await;
        service_manager::stopping();
        let _ = stop.send(true);
        care.stop();
        background::join_within(keeper, Duration::from_secs(2));
        desk.close();
        background::join_within(web, Duration::from_secs(2));
        Ok(())
    })
}

/// Each tank with what the store remembers of it, and what is left.
fn remembered(tanks: Vec<TankSetup>, found: Found) -> (Vec<(TankSetup, Remembered)>, BTreeMap<String, Remembered>) {
    let mut doubts = found.doubts;
    // Of a tank that has no state here: why that does not say that it never had one.
    let any = doubts.remove(doubts::ANY).map(|doubt| doubt.why);
    let damaged = found.damaged.or(any);
    let mut known: BTreeMap<String, Remembered> = found
        .states
        .into_iter()
        .map(|(tank, state)| {
            let state = state.and_then(|json| serde_json::from_str(&json).map_err(|error| error.to_string()));
            let taken = doubts.get(&tank).and_then(|doubt| doubt.taken).map(Wall::from_unix_millis);
            let remembered = match (state, taken) {
                (Ok(state), None) => Remembered::State(Box::new(state)),
                (Ok(state), Some(taken)) => Remembered::Restored(Box::new(state), taken),
                (Err(why), _) => Remembered::Damaged(why),
            };
            (tank, remembered)
        })
        .collect();
    for (tank, doubt) in doubts {
        known.entry(tank).or_insert(Remembered::Damaged(doubt.why));
    }
    let tanks = tanks
        .into_iter()
        .map(|tank| {
            let nothing = || damaged.clone().map_or(Remembered::Nothing, Remembered::Damaged);
            let state = known.remove(&*tank.plan.name).unwrap_or_else(nothing);
            (tank, state)
        })
        .collect();
    (tanks, known)
}

/// Files are read on a thread of their own: a slow disk is not control's.
fn reload_on_hang_up(loader: Loader, inbox: mpsc::Sender<Job>) {
    let Ok(mut hang_up) = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::hangup()) else {
        tracing::error!("SIGHUP cannot be heard; reload by request");
        return;
    };
    tokio::spawn(async move {
        while hang_up.recv().await.is_some() {
            service_manager::reloading();
            let (loader, inbox) = (Arc::clone(&loader), inbox.clone());
            let read = move || {
                let setup = Box::new(loader());
                let _ = inbox.blocking_send(Job::Reload { setup, reply: None });
            };
            if let Err(error) = background::spawn("reload", read) {
                tracing::error!("no reload: {error}");
                service_manager::reloaded();
            }
        }
    });
}
