//! The HTTP service: health, metrics, the API. On its own thread; it can ask control, never delay it.
//!
//! `/healthz`, `/readyz` and `/metrics` hold no secret and are open to whoever reaches the port. The
//! rest is guarded (`guard`): host names, token, origin, content type, size.

mod api;
mod care;
mod guard;
mod history;
mod metrics;
mod notify;
mod process;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::{StatusCode, header};
use axum::middleware;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use tokio::sync::{mpsc, oneshot, watch};

use crate::config::setup::HttpSettings;
use crate::wire::metrics::Meters;

use super::care::CareHandle;
use super::daemon_alarms::DaemonAlarm;
use super::job::Job;
use super::pulse::Pulse;

/// The greatest body of a request, bytes.
const GREATEST_BODY: usize = 64 * 1024;
/// Control answers questions in microseconds; one that does not in this time hangs.
const CONTROL_WITHIN: Duration = Duration::from_secs(3);
/// An address that is taken is tried again after this.
const BIND_AGAIN: Duration = Duration::from_secs(5);

/// How a new config is read from its files.
pub type Loader = Arc<dyn Fn() -> Result<crate::config::Setup, String> + Send + Sync>;

/// What the handlers share.
#[derive(Clone)]
struct Shared {
    inbox: mpsc::Sender<Job>,
    meters: Meters,
    pulse: Arc<Pulse>,
    token_file: Option<PathBuf>,
    listen: SocketAddr,
    care: CareHandle,
    loader: Option<Loader>,
    data_dir: PathBuf,
}

/// What the service needs.
pub struct Service {
    /// Where to listen, and the token.
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
    /// Where the store lives, for its history.
    pub data_dir: PathBuf,
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

async fn serve(service: Service, mut stop: watch::Receiver<bool>) {
    let listener = loop {
        match tokio::net::TcpListener::bind(service.settings.listen).await {
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
    let shared = Shared {
        inbox: service.inbox,
        meters: service.meters,
        pulse: service.pulse,
        token_file: service.settings.token_file,
        listen,
        care: service.care,
        loader: service.loader,
        data_dir: service.data_dir,
    };
    if let Some(tell) = service.on_listen {
        tell(listen);
    }
    let graceful = async move {
        let _ = stop.wait_for(|stop| *stop).await;
    };
    if let Err(error) = axum::serve(listener, router(shared)).with_graceful_shutdown(graceful).await {
        tracing::error!("the HTTP service ended: {error}");
    }
}

fn router(shared: Shared) -> Router {
    let guarded = Router::new()
        .route("/", get(page))
        .route("/api/v1/tanks", get(api::tanks))
        .route("/api/v1/tanks/{tank}/status", get(api::status))
        .route("/api/v1/tanks/{tank}/explain/{output}", get(api::explain))
        .route("/api/v1/tanks/{tank}/ask", post(api::ask))
        .route("/api/v1/tanks/{tank}/history", get(history::chart))
        .route("/api/v1/tanks/{tank}/readings", get(history::readings))
        .route("/api/v1/tanks/{tank}/days", get(history::days))
        .route("/api/v1/ask", post(api::ask_all))
        .route("/api/v1/reload", post(api::reload))
        .merge(care::routes())
        .route("/api/v1/notify", get(notify::channels))
        .route("/api/v1/notify/test", post(notify::test))
        .fallback(api::nothing_there)
        .method_not_allowed_fallback(api::not_that_way)
        .layer(DefaultBodyLimit::max(GREATEST_BODY))
        .layer(middleware::from_fn_with_state(shared.clone(), guard::guard));
    Router::new()
        .route("/healthz", get(async || "alive\n"))
        .route("/readyz", get(ready))
        .route("/metrics", get(metrics::metrics))
        .merge(guarded)
        .layer(middleware::from_fn_with_state(shared.clone(), guard::count))
        .with_state(shared)
}

async fn ready(State(shared): State<Shared>) -> Response {
    match shared.pulse.not_ready() {
        None => "ready\n".into_response(),
        Some(why) => (StatusCode::SERVICE_UNAVAILABLE, format!("not ready: {why}\n")).into_response(),
    }
}

async fn page() -> Response {
    let body = "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><title>Slackwater</title>\
        <h1>Slackwater</h1><p>The daemon is at work. What there is:</p><ul>\
        <li><a href=\"/api/v1/tanks\">the tanks</a>, and of each <code>/api/v1/tanks/TANK/status</code> and \
        <code>/api/v1/tanks/TANK/explain/OUTPUT</code></li>\
        <li><a href=\"/metrics\">metrics</a></li>\
        <li><a href=\"/healthz\">alive</a>, <a href=\"/readyz\">ready</a></li></ul>\
        <p>On this machine: <code>slackwater status</code>, <code>slackwater explain OUTPUT</code>, \
        <code>slackwater hold PROCEDURE</code>.</p></html>";
    let headers = [
        (header::CONTENT_TYPE, "text/html; charset=utf-8"),
        (header::CONTENT_SECURITY_POLICY, "default-src 'self'"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    ];
    (headers, body).into_response()
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
