//! The HTTP service: health, metrics, the API, the page. On its own thread; it can ask control, never delay it.
//!
//! ```text
//!   connections (how many, how long) ─► count ─► dress (headers, problems) ─┬─► /healthz /readyz /metrics
//!                                                                           └─► guard (host, token, role, origin, body) ─► routes
//! ```
//! `/healthz`, `/readyz` and `/metrics` hold no secret and are open to whoever reaches the port. The
//! rest is guarded. A new route is a row of [`routes`].

mod access;
mod api;
mod calc;
mod care;
mod connections;
mod events;
mod guard;
mod history;
mod idempotency;
mod journal;
mod metrics;
mod notify;
mod openapi;
mod page;
mod problem;
mod process;
mod routes;
mod session;

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::StatusCode;
use axum::middleware;
use axum::response::{IntoResponse, Response};
use tokio::sync::{mpsc, oneshot, watch};

use crate::config::setup::HttpSettings;
use crate::wire::metrics::Meters;

use super::care::CareHandle;
use super::clock::Clock;
use super::daemon_alarms::DaemonAlarm;
use super::job::Job;
use super::pulse::Pulse;
use access::Access;
pub use calc::{Calculated, Calculations};
use events::Hub;
use guard::Hosts;
use idempotency::Keys;
use page::Desk;
use routes::{Gate, Verb};

/// The greatest body of a request, bytes.
const GREATEST_BODY: usize = 64 * 1024;
/// Control answers questions in microseconds; one that does not in this time hangs.
const CONTROL_WITHIN: Duration = Duration::from_secs(3);
/// An address that is taken is tried again after this.
const BIND_AGAIN: Duration = Duration::from_secs(5);

/// How a new config is read from its files.
pub type Loader = Arc<dyn Fn() -> Result<crate::config::Setup, String> + Send + Sync>;

/// What the handlers share. Each route and each request has its own: a pointer.
#[derive(Clone)]
struct Shared(Arc<Parts>);

impl std::ops::Deref for Shared {
    type Target = Parts;

    fn deref(&self) -> &Parts {
        &self.0
    }
}

struct Parts {
    inbox: mpsc::Sender<Job>,
    meters: Meters,
    pulse: Arc<Pulse>,
    care: CareHandle,
    clock: Clock,
    access: Access,
    hosts: Hosts,
    proxy: Option<IpAddr>,
    public_url: Option<String>,
    gates: BTreeMap<(Verb, String), Gate>,
    hub: Hub,
    keys: Keys,
    desk: Desk,
    calculations: Option<Calculations>,
    loader: Option<Loader>,
    data_dir: PathBuf,
}

/// What the service needs.
pub struct Service {
    /// Where to listen, and who may do what.
    pub settings: HttpSettings,
    /// The way to control.
    pub inbox: mpsc::Sender<Job>,
    /// The meters.
    pub meters: Meters,
    /// For readiness.
    pub pulse: Arc<Pulse>,
    /// The keeper's side.
    pub care: CareHandle,
    /// For a reload by request.
    pub loader: Option<Loader>,
    /// What can be worked out.
    pub calculations: Option<Calculations>,
    /// Where the store lives, for its history.
    pub data_dir: PathBuf,
    /// The daemon's clock, for countdowns.
    pub clock: Clock,
    /// Where people reach the page, if it is told.
    pub public_url: Option<String>,
    /// Told the address once it listens: a port of 0 is chosen by the system.
    pub on_listen: Option<Box<dyn FnOnce(SocketAddr) + Send>>,
}

/// Runs the service until `stop` changes. Blocks; meant for a thread of its own.
pub fn run(service: Service, stop: watch::Receiver<bool>) {
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            tracing::error!("no HTTP service: {error}");
            return;
        }
    };
    runtime.block_on(async move {
        let mut ended = stop.clone();
        tokio::select! {
            () = serve(service, stop.clone()) => {}
            _ = ended.wait_for(|stop| *stop) => {
                // Answers on their way get a moment; an endless one does not hold the end up.
                tokio::time::sleep(Duration::from_millis(300)).await;
            }
        }
    });
    runtime.shutdown_timeout(Duration::from_millis(200));
}

async fn serve(service: Service, stop: watch::Receiver<bool>) {
    let listener = loop {
        match connections::listen(service.settings.listen) {
            Ok(listener) => break listener,
            Err(error) => {
                let text = format!("cannot listen on {}: {error}", service.settings.listen);
                tracing::error!("{text}\n  another program may have this address; change `http` in daemon.yaml");
                let _ = service.inbox.send(Job::Noticed(DaemonAlarm::NoWeb, Some(text))).await;
                tokio::time::sleep(BIND_AGAIN).await;
            }
        }
    };
    let _ = service.inbox.send(Job::Noticed(DaemonAlarm::NoWeb, None)).await;
    let listen = listener.local_addr().unwrap_or(service.settings.listen);
    tracing::info!("listening on http://{listen}/");
    let access = Access::new(&service.settings);
    let public = service.public_url.as_deref().and_then(guard::host_of);
    let names = service.settings.names.into_iter().chain(public).collect();
    let shared = Shared(Arc::new(Parts {
        inbox: service.inbox,
        meters: service.meters,
        pulse: service.pulse,
        care: service.care,
        clock: service.clock,
        hosts: Hosts::new(listen.ip(), names, &access),
        access,
        proxy: service.settings.proxy,
        public_url: service.public_url,
        gates: routes::gates(),
        hub: Hub::default(),
        keys: Keys::default(),
        desk: Desk::new(),
        calculations: service.calculations,
        loader: service.loader,
        data_dir: service.data_dir,
    }));
    if let Some(tell) = service.on_listen {
        tell(listen);
    }
    let watches = tokio::spawn({
        let (shared, stop) = (shared.clone(), stop.clone());
        async move { shared.hub.run(&shared, stop).await }
    });
    connections::serve(listener, router(shared), stop).await;
    let _ = watches.await;
}

fn router(shared: Shared) -> Router {
    let guarded = routes::router(routes::table().into_iter().chain(routes::pages()).collect())
        .fallback(api::nothing_there)
        .method_not_allowed_fallback(api::not_that_way)
        // Bodies are read and bounded by the guard.
        .layer(DefaultBodyLimit::disable())
        .layer(middleware::from_fn_with_state(shared.clone(), guard::guard));
    routes::router(routes::open())
        .merge(guarded)
        .layer(middleware::from_fn(problem::dress))
        .layer(middleware::from_fn_with_state(shared.clone(), guard::count))
        .with_state(shared)
}

async fn ready(State(shared): State<Shared>) -> Response {
    match shared.pulse.not_ready() {
        None => "ready\n".into_response(),
        Some(why) => (StatusCode::SERVICE_UNAVAILABLE, format!("not ready: {why}\n")).into_response(),
    }
}

impl Shared {
    /// Asks control, and waits for its answer.
    async fn control<T>(&self, job: impl FnOnce(oneshot::Sender<T>) -> Job, within: Duration) -> Option<T> {
        let (reply, answer) = oneshot::channel();
        let asked = async {
            self.inbox.send(job(reply)).await.ok()?;
            answer.await.ok()
        };
        tokio::time::timeout(within, asked).await.ok().flatten()
    }
}

/// The entries of a list of JSON; what is no list has none.
fn each(list: &serde_json::Value) -> impl Iterator<Item = &serde_json::Value> {
    list.as_array().into_iter().flatten()
}
