//! Carries visitors: so many at a time, each with limits on size and patience, all of them left when the page is closed.
use super::Shared;
use super::visit::{Pulse, visits};
use crate::bench::clock::{instant, pause};
use axum::Router;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::Service;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::net::TcpListener as StdListener;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;

/// Connections at a time; more are closed at once.
const MOST: usize = 160;
/// A request's head must be there within this time.
const HEAD: Duration = Duration::from_secs(5);
/// Longest head, in bytes.
const LONGEST_HEAD: usize = 16 * 1024;
/// Most lines of a head.
const MOST_LINES: usize = 64;
/// A visitor that takes nothing and asks nothing for so long is cut off.
const PATIENCE: Duration = Duration::from_secs(20);

/// When a visitor last asked or took something.
#[derive(Debug)]
pub(super) struct Heart {
    began: Instant,
    millis: AtomicU64,
}

impl Heart {
    fn new() -> Self {
        Self { began: instant(), millis: AtomicU64::new(0) }
    }

    /// Something was asked or taken now.
    pub(super) fn beat(&self) {
        self.millis.store(self.lived(), Ordering::Relaxed);
    }

    fn lived(&self) -> u64 {
        let lived = instant().saturating_duration_since(self.began).as_millis();
        u64::try_from(lived).unwrap_or(u64::MAX)
    }

    fn rested(&self) -> Duration {
        Duration::from_millis(self.lived().saturating_sub(self.millis.load(Ordering::Relaxed)))
    }

    /// Resolves once it has rested for this long.
    async fn stopped(&self, after: Duration) {
        while let Some(left) = after.checked_sub(self.rested()).filter(|left| !left.is_zero()) {
            pause(left).await;
        }
    }
}

/// Serves until the page is closed.
pub(super) async fn serve(listener: StdListener, shared: Arc<Shared>) {
    // It is non-blocking, and this runs inside a runtime: nothing is left to fail.
    let Ok(listener) = TcpListener::from_std(listener) else { return };
    let service = TowerToHyperService::new(visits(Arc::clone(&shared)));
    let mut visitors = JoinSet::new();
    let left = shared.left();
    tokio::pin!(left);
    loop {
        tokio::select! {
            () = &mut left => return,
            accepted = listener.accept() => match accepted {
                Ok((stream, _)) if visitors.len() < MOST => {
                    visitors.spawn(visitor(stream, service.clone()));
                }
                // Dropped: it is closed.
                Ok(_) => {}
                // Out of file descriptors, say: whoever is there goes on.
                Err(_) => pause(Duration::from_millis(200)).await,
            },
            Some(_) = visitors.join_next() => {}
        }
    }
}

async fn visitor(stream: TcpStream, service: TowerToHyperService<Router>) {
    // Frames are small and wanted at once.
    let _ = stream.set_nodelay(true);
    let heart = Arc::new(Heart::new());
    let beating = Arc::clone(&heart);
    let service = hyper::service::service_fn(move |mut request: hyper::Request<Incoming>| {
        beating.beat();
        request.extensions_mut().insert(Pulse(Arc::clone(&beating)));
        service.call(request)
    });
    let carried = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD)
        .max_headers(MOST_LINES)
        .max_buf_size(LONGEST_HEAD)
        .serve_connection(TokioIo::new(stream), service);
    tokio::select! {
        // However it ended, the visitor is gone.
        _ = carried => {}
        () = heart.stopped(PATIENCE) => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_heart_stops_only_when_it_rests_for_long_enough() {
        let heart = Heart::new();
        let began = instant();
        let beats = async {
            for _ in 0..4 {
                pause(Duration::from_millis(40)).await;
                heart.beat();
            }
        };
        tokio::join!(beats, heart.stopped(Duration::from_millis(100)));
        assert!(instant().saturating_duration_since(began) >= Duration::from_millis(260));
    }
}
