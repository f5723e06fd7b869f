//! Connections: how many there may be, and how long each may keep us waiting.
//!
//! Duty: that nobody who opens many, sends headers drop by drop or never reads takes the service from the others.
//! Over the limits a connection is told so and closed. An idle one is closed too, after [`HEADERS_WITHIN`].

use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::sync::watch;
use tokio::time::{Instant, Sleep};

use super::guard::Peer;

/// All connections.
const MOST: usize = 256;
/// Of one address that is not this machine's: a proxy is here, and asks for many.
const MOST_OF_ONE: usize = 48;
/// From the begin of a connection, or the end of a request, to the end of the next one's headers. [a scrape comes
/// every 15 s as a rule, and keeps its connection]
const HEADERS_WITHIN: Duration = Duration::from_secs(20);
/// Headers are smaller than this.
const GREATEST_HEADERS: usize = 32 * 1024;
/// Who does not read a byte for this long does not read.
const READS_WITHIN: Duration = Duration::from_secs(15);
/// Bytes that the system keeps of each connection for a reader. By itself it grows them to megabytes, and finds out late
/// that nobody reads: a stream of events would keep its place for minutes.
const SEND_BUFFER: u32 = 64 * 1024;
/// Connections that wait to be taken.
const BACKLOG: u32 = 1024;
/// After the end was asked for.
const END_WITHIN: Duration = Duration::from_millis(250);

const FULL: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\ncontent-type: application/problem+json\r\nretry-after: 5\r\nconnection: close\r\ncontent-length: 161\r\n\r\n{\"type\":\"/api/problems#unavailable\",\"title\":\"Not now\",\"status\":503,\"detail\":\"too many connections are open\",\"instance\":\"\",\"fix\":\"close some, or try again later\"}";

/// How many connections each address has.
#[derive(Debug, Default)]
struct Places {
    all: usize,
    of: HashMap<IpAddr, usize>,
}

/// A place, given back when it is dropped.
struct Place {
    places: Arc<Mutex<Places>>,
    address: IpAddr,
}

impl Place {
    fn take(places: &Arc<Mutex<Places>>, address: IpAddr) -> Option<Self> {
        let mut taken = places.lock().unwrap_or_else(PoisonError::into_inner);
        let own = taken.of.get(&address).copied().unwrap_or(0);
        if taken.all >= MOST || !address.is_loopback() && own >= MOST_OF_ONE {
            return None;
        }
        taken.all += 1;
        taken.of.insert(address, own + 1);
        Some(Self { places: Arc::clone(places), address })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut taken = self.places.lock().unwrap_or_else(PoisonError::into_inner);
        taken.all = taken.all.saturating_sub(1);
        match taken.of.get_mut(&self.address) {
            Some(own) if *own > 1 => *own -= 1,
            _ => drop(taken.of.remove(&self.address)),
        }
    }
}

/// Listens, with small buffers for what each connection sends.
pub(super) fn listen(address: SocketAddr) -> io::Result<TcpListener> {
    let socket = if address.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
    // A restart finds its address free.
    socket.set_reuseaddr(true)?;
    // Connections have what the listening socket has. [socket(7), tcp(7)]
    socket.set_send_buffer_size(SEND_BUFFER)?;
    socket.bind(address)?;
    socket.listen(BACKLOG)
}

/// Takes connections until `stop`.
pub(super) async fn serve(listener: TcpListener, router: Router, mut stop: watch::Receiver<bool>) {
    let places = Arc::new(Mutex::new(Places::default()));
    loop {
        let taken = tokio::select! {
            () = end_of(&mut stop) => return,
            taken = listener.accept() => taken,
        };
        match taken {
            Ok((stream, address)) => match Place::take(&places, address.ip().to_canonical()) {
                Some(place) => drop(tokio::spawn(converse(stream, address, router.clone(), stop.clone(), place))),
                // One write into an empty buffer never waits.
                None => drop(stream.try_write(FULL)),
            },
            // No file handles left, or a connection that was gone already: the others go on meanwhile.
            Err(error) => {
                tracing::warn!("a connection was not taken: {error}");
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
}

/// Waits until the service is to end.
pub(super) async fn end_of(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stop| *stop).await;
}

async fn converse(
    stream: TcpStream,
    address: SocketAddr,
    router: Router,
    mut stop: watch::Receiver<bool>,
    place: Place,
) {
    let _ = stream.set_nodelay(true);
    let router = TowerToHyperService::new(router);
    let service = service_fn(move |request: hyper::Request<hyper::body::Incoming>| {
        let mut request = request.map(Body::new);
        request.extensions_mut().insert(Peer(address));
        router.call(request)
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADERS_WITHIN)
        .max_buf_size(GREATEST_HEADERS)
        .serve_connection(TokioIo::new(Patient::new(stream)), service);
    let mut connection = std::pin::pin!(connection);
    let ended = tokio::select! {
        ended = connection.as_mut() => ended,
        () = end_of(&mut stop) => {
            connection.as_mut().graceful_shutdown();
            tokio::time::timeout(END_WITHIN, connection).await.unwrap_or(Ok(()))
        }
    };
    if let Err(error) = ended {
        tracing::debug!("a connection from {address} ended: {error}");
    }
    drop(place);
}

/// A stream that is given up when nobody reads what it writes.
struct Patient {
    stream: TcpStream,
    gives_up: Option<Pin<Box<Sleep>>>,
}

impl Patient {
    fn new(stream: TcpStream) -> Self {
        Self { stream, gives_up: None }
    }

    /// What writing came to, or the end of patience.
    fn judged<T>(&mut self, context: &mut Context<'_>, wrote: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if wrote.is_ready() {
            self.gives_up = None;
            return wrote;
        }
        let sleep = || Box::pin(tokio::time::sleep_until(Instant::now() + READS_WITHIN));
        ready!(self.gives_up.get_or_insert_with(sleep).as_mut().poll(context));
        Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, "nobody reads")))
    }
}

impl AsyncRead for Patient {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl AsyncWrite for Patient {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let wrote = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.judged(context, wrote)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let wrote = Pin::new(&mut self.stream).poll_write_vectored(context, bytes);
        self.judged(context, wrote)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let wrote = Pin::new(&mut self.stream).poll_flush(context);
        self.judged(context, wrote)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_to_one_too_many_is_a_whole_answer() {
        let text = std::str::from_utf8(FULL).unwrap();
        let (head, body) = text.split_once("\r\n\r\n").unwrap();
        assert!(head.contains(&format!("content-length: {}", body.len())), "{}", body.len());
        assert!(serde_json::from_str::<serde_json::Value>(body).is_ok());
    }

    #[test]
    fn one_address_cannot_take_every_place_and_places_come_back() {
        let places = Arc::new(Mutex::new(Places::default()));
        let (there, here): (IpAddr, IpAddr) = ("192.0.2.7".parse().unwrap(), "127.0.0.1".parse().unwrap());
        let taken: Vec<_> = (0..MOST_OF_ONE).map(|_| Place::take(&places, there).unwrap()).collect();
        assert!(Place::take(&places, there).is_none());
        let rest: Vec<_> = (0..MOST - MOST_OF_ONE).map(|_| Place::take(&places, here).unwrap()).collect();
        assert!(Place::take(&places, here).is_none());
        drop((taken, rest));
        assert!(Place::take(&places, there).is_some() && places.lock().unwrap().of.is_empty());
    }
}
