//! Puts the demo together: config, broker, gate, home, daemon; and takes it apart again.

use std::fmt;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tokio::task::JoinHandle;

use crate::cli::model::model;
use crate::config::channel::NotifySettings;
use crate::config::{Setup, TankSetup, load};
use crate::shell::clock::Clock;
use crate::shell::{self, Options, RunError};
use crate::sim::keeper::{Keeper, Routine};
use crate::sim::physics::Room;
use crate::sim::{Fault, FaultError, Model, Surroundings, World};
use crate::wire::OwnTopics;

use super::broker::{self, BrokerError};
use super::example::{self, ExampleError, Scratch};
use super::gate::Gate;
use super::home::Home;
use super::words::{Opening, opening};
use super::{Demo, narrate};

/// How often the truth is told, in real time: calm, and often enough to see water move.
const TRUTH_EVERY: Duration = Duration::from_secs(15);

/// Why there was no demo.
#[derive(Debug)]
pub enum DemoError {
    /// A fault that cannot be.
    Fault(FaultError),
    /// No config.
    Example(ExampleError),
    /// No broker.
    Broker(BrokerError),
    /// The daemon did not start.
    Daemon(RunError),
    /// No thread, no directory.
    System(std::io::Error),
}

impl DemoError {
    /// 2 for misuse, else 1.
    pub fn code(&self) -> u8 {
        if matches!(self, Self::Fault(_)) { 2 } else { 1 }
    }
}

impl fmt::Display for DemoError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Fault(error) => {
                write!(f, "{error}\n  `slackwater demo --list-faults` prints everything that is possible")
            }
            Self::Example(error) => error.fmt(f),
            Self::Broker(error) => error.fmt(f),
            Self::Daemon(error) => error.fmt(f),
            Self::System(error) => write!(f, "the system refused the demo: {error}"),
        }
    }
}

impl std::error::Error for DemoError {}

/// Plays until Ctrl-C, or as long as was asked.
pub fn play(demo: &Demo) -> Result<(), DemoError> {
    let scratch = Scratch::new().map_err(DemoError::System)?;
    let (mut setup, config) = example::setup(demo.config.as_deref(), &scratch).map_err(DemoError::Example)?;
    let clock = Clock::start(demo.speed);
    let mut world = world(demo, &setup, clock);
    if demo.list_faults {
        print!("{}", world.catalogue().possible());
        return Ok(());
    }
    let faults = plan_faults(demo, &mut world)?;
    narrate::start(clock);
    let inner = broker::start().map_err(DemoError::Broker)?;
    let around = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .map_err(DemoError::System)?;
    let gate =
        around.block_on(Gate::open(demo.port, inner)).map_err(|why| DemoError::Broker(BrokerError::NoPort(why)))?;
    let door = gate.address;
    let http = address(demo.http, setup.daemon.http.listen);
    redirect(&mut setup, door, http, scratch.data());
    let (stop, stopped) = watch::channel(false);
    let plans: Vec<_> = setup.tanks.iter().map(|tank| tank.plan.clone()).collect();
    let keeper = Keeper::new(&plans, &world, Routine::Away, &OwnTopics::new(&setup.daemon.root), clock.now());
    let home =
        Home { world, keeper, clock, broker: inner, gate, tanks: setup.tanks.clone(), tell_every: Some(TRUTH_EVERY) };
    let home = around.spawn(home.live(stopped));

    let (shown, seed, speed) = (setup.clone(), demo.seed, demo.speed);
    let dir = config.clone();
    let say = move |http: SocketAddr| {
        let opening =
            opening(&Opening { setup: &shown, config: &dir, broker: door, http, speed, seed, faults: &faults });
        println!("{opening}");
    };
    let options = Options {
        calculations: Some(super::super::calc::by_json::calculations()),
        loader: Some(loader(config, setup.daemon.clone())),
        clock: Some(clock),
        on_listen: Some(Box::new(say)),
        hang_up_reloads: true,
    };
    let lasts = demo.lasts.map(|span| Duration::from_millis(span.millis()));
    let ran = shell::run(setup, options, end(lasts)).map_err(DemoError::Daemon);
    let _ = stop.send(true);
    last_words(&around, home);
    around.shutdown_timeout(Duration::from_millis(500));
    ran
}

fn world(demo: &Demo, setup: &Setup, clock: Clock) -> World {
    let models: Vec<Model<'_>> = setup.tanks.iter().map(model).collect();
    let surroundings = Surroundings {
        room: Room::new(demo.room.celsius()),
        usual_tank: setup.daemon.usual_tank.as_ref().map(ToString::to_string),
        ..Surroundings::default()
    };
    World::new(&models, demo.seed, surroundings, clock.now())
}

/// Plans them, and gives them back as sentences.
fn plan_faults(demo: &Demo, world: &mut World) -> Result<Vec<String>, DemoError> {
    let read = demo.faults.iter().map(|sentence| world.catalogue().read(sentence));
    let faults: Vec<Fault> = read.collect::<Result<_, _>>().map_err(DemoError::Fault)?;
    let sentences = faults.iter().map(|fault| world.catalogue().sentence(fault)).collect();
    for fault in faults {
        world.inject(fault);
    }
    Ok(sentences)
}

/// Another broker, address and data directory in place of the config's, with no secrets and no way out: nothing leaves the
/// machine.
pub fn redirect(setup: &mut Setup, broker: SocketAddr, http: SocketAddr, data: PathBuf) {
    let daemon = &mut setup.daemon;
    (daemon.broker.host, daemon.broker.port) = (broker.ip().to_string(), broker.port());
    (daemon.broker.tls, daemon.broker.user, daemon.broker.password_file) = (None, None, None);
    daemon.data_dir = data;
    daemon.notify = NotifySettings::default();
    (daemon.http.tokens, daemon.http.names, daemon.http.proxy) = (Vec::new(), Vec::new(), None);
    daemon.http.listen = http;
    no_way_out(&mut setup.tanks);
}

/// On this machine only: where it is asked for, else where the config has it, else anywhere.
fn address(asked: Option<u16>, usual: SocketAddr) -> SocketAddr {
    let port = asked.unwrap_or(if is_free(usual.port()) { usual.port() } else { 0 });
    (Ipv4Addr::LOCALHOST, port).into()
}

/// No channel: a proof of the way of alarms would wait for a message that nobody sends.
fn no_way_out(tanks: &mut [TankSetup]) {
    for tank in tanks {
        tank.plan.proofs.channels.clear();
    }
}

/// Another daemon, or another demo, may have it.
#[expect(clippy::disallowed_methods, reason = "the demo looks for a free port on its own machine")]
fn is_free(port: u16) -> bool {
    TcpListener::bind((Ipv4Addr::LOCALHOST, port)).is_ok()
}

/// A reload reads the files again and keeps what the demo put in their place.
fn loader(config: PathBuf, daemon: crate::config::DaemonSettings) -> shell::Loader {
    Arc::new(move || {
        let read = |dir: &Path| load(dir).map_err(|problems| problems.to_string());
        let mut setup = read(&config)?;
        no_way_out(&mut setup.tanks);
        Ok(Setup { daemon: daemon.clone(), ..setup })
    })
}

/// Ctrl-C, the service manager's word, or the time that was asked for.
async fn end(lasts: Option<Duration>) {
    let over = async {
        match lasts {
            Some(lasts) => tokio::time::sleep(lasts).await,
            None => std::future::pending().await,
        }
    };
    tokio::select! {
        () = super::super::run::asked_to_stop() => {}
        () = over => {}
    }
}

fn last_words(around: &tokio::runtime::Runtime, home: JoinHandle<Home>) {
    let home = around.block_on(async { tokio::time::timeout(Duration::from_secs(2), home).await });
    let Ok(Ok(home)) = home else { return };
    println!("\nThe demo is over after {} of simulated time. What is true at its end:", home.lived());
    let lines = home.tanks.iter().filter_map(|tank: &TankSetup| home.truth(tank));
    lines.for_each(|line| println!("  {line}"));
}
