//! Connections: read within a time and a size, written within a time, ended in good order when the service stops.

use super::SharedArc;
use axum::extract::ConnectInfo;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use nix::sys::resource::{Resource, getrlimit};
use std::collections::BTreeMap;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Notify, Semaphore, watch};
use tokio::time::{Sleep, sleep};
use tower::ServiceExt;

/// Largest head of a request, bytes.
const LARGEST_HEAD: usize = 32 * 1024;
/// Most fields of a head.
const MOST_FIELDS: usize = 100;
/// A caller that takes no byte of its answer for so long is cut off.
const LONGEST_WRITE: Duration = Duration::from_secs(60);
/// Connections for each request at a time: most wait for their caller's next one.
const CONNECTIONS: u32 = 4;
/// Descriptors that are left to the queue, the files and the jobs, and half of the rest.
const OTHER_FILES: u64 = 64;
/// So many connections at least.
const FEWEST: u32 = 4;
/// How long nothing is accepted when the system gives no more connections.
const NO_MORE: Duration = Duration::from_millis(200);
/// How long answers on their way may take once the service stops.
const LAST_ANSWERS: Duration = Duration::from_secs(10);

/// Connections at a time: as many as the settings ask for, and no more than leave descriptors for the work.
fn most_connections(requests_at_a_time: u32) -> u32 {
    let wanted = CONNECTIONS * requests_at_a_time.max(1);
    let Ok((soft, _)) = getrlimit(Resource::RLIMIT_NOFILE) else {
        return wanted;
    };
    let free = u32::try_from(soft.saturating_sub(OTHER_FILES) / 2).unwrap_or(u32::MAX);
    wanted.min(free.max(FEWEST))
}

/// Connections by how long nobody has asked anything on them, so that those that are only kept open can make room.
#[derive(Default)]
struct Quiet {
    /// When somebody last asked, or came in; each with the line that asks the connection to end.
    since: Mutex<BTreeMap<u64, Arc<Notify>>>,
    clock: AtomicU64,
}

impl Quiet {
    /// Somebody came in, or asked (`before` is the time of the last sign): the time of this sign.
    fn sign(&self, before: Option<u64>, end: &Arc<Notify>) -> u64 {
        let now = self.clock.fetch_add(1, Ordering::Relaxed);
        let mut since = self.since.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(before) = before {
            since.remove(&before);
        }
        since.insert(now, Arc::clone(end));
        now
    }

    fn gone(&self, last: u64) {
        let mut since = self.since.lock().unwrap_or_else(PoisonError::into_inner);
        since.remove(&last);
    }

    /// Asks the connection that has been quiet for longest to end. One that waits for its answer gets it first.
    fn make_room(&self) {
        let mut since = self.since.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, end)) = since.pop_first() {
            end.notify_one();
        }
    }
}

/// Serves the API until `shared.stop` is set; answers on their way are finished, within a time.
pub async fn serve(shared: SharedArc, listener: TcpListener) {
    let limits = &shared.config.limits;
    let read = Duration::from_secs(limits.read_seconds.max(1));
    let most = most_connections(limits.requests_at_a_time);
    let places = Arc::new(Semaphore::new(most as usize));
    let router = super::router(Arc::clone(&shared));
    let mut stop = shared.stop.subscribe();
    let quiet = Arc::new(Quiet::default());
    loop {
        // Every place may be taken by callers that keep a connection for later.
        if places.available_permits() == 0 {
            quiet.make_room();
        }
        let place = tokio::select! {
            place = Arc::clone(&places).acquire_owned() => place,
            () = tokio::time::sleep(NO_MORE) => continue,
            _ = stop.wait_for(|s| *s) => break,
        };
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            _ = stop.wait_for(|s| *s) => break,
        };
        let (stream, peer) = match accepted {
            Ok(accepted) => accepted,
            Err(e) => {
                tracing::warn!("a connection cannot be accepted: {e}");
                quiet.make_room();
                tokio::time::sleep(NO_MORE).await;
                continue;
            }
        };
        let _ = stream.set_nodelay(true);
        let router = router.clone();
        let end = Arc::new(Notify::new());
        let last = Arc::new(AtomicU64::new(quiet.sign(None, &end)));
        let (signs, ending, of_last) = (Arc::clone(&quiet), Arc::clone(&end), Arc::clone(&last));
        let service =
            tower::service_fn(move |mut request: hyper::Request<hyper::body::Incoming>| {
                let before = of_last.load(Ordering::Relaxed);
                of_last.store(signs.sign(Some(before), &ending), Ordering::Relaxed);
                request
                    .extensions_mut()
                    .insert(ConnectInfo::<SocketAddr>(peer));
                router.clone().oneshot(request)
            });
        let connection = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(read)
            .max_buf_size(LARGEST_HEAD)
            .max_headers(MOST_FIELDS)
            // A caller that has sent its request and closes that side still gets its answer.
            .half_close(true)
            .serve_connection(
                TokioIo::new(Hurried::new(stream, LONGEST_WRITE)),
                TowerToHyperService::new(service),
            );
        let quiet = Arc::clone(&quiet);
        let mut stop = stop.clone();
        tokio::spawn(async move {
            let _place = place;
            let mut connection = std::pin::pin!(connection);
            let ended = tokio::select! {
                ended = connection.as_mut() => ended,
                () = asked_to_end(&end, &mut stop) => {
                    connection.as_mut().graceful_shutdown();
                    connection.await
                }
            };
            quiet.gone(last.load(Ordering::Relaxed));
            if let Err(e) = ended {
                tracing::debug!("a connection ended: {e}");
            }
        });
    }
    drop(listener);
    let all = places.acquire_many(most);
    if tokio::time::timeout(LAST_ANSWERS, all).await.is_err() {
        tracing::warn!("answers on their way are cut off");
    }
}

/// The connection's place is wanted, or the service stops.
async fn asked_to_end(end: &Notify, stop: &mut watch::Receiver<bool>) {
    tokio::select! {
        () = end.notified() => {}
        _ = stop.wait_for(|s| *s) => {}
    }
}

/// A connection whose writes must go on.
struct Hurried {
    stream: TcpStream,
    patience: Duration,
    waiting: Option<Pin<Box<Sleep>>>,
}

impl Hurried {
    fn new(stream: TcpStream, patience: Duration) -> Hurried {
        Hurried {
            stream,
            patience,
            waiting: None,
        }
    }

    /// A write that went on ends the wait; one that does not begins it.
    fn watched<T>(
        &mut self,
        wrote: Poll<io::Result<T>>,
        context: &mut Context<'_>,
    ) -> Poll<io::Result<T>> {
        if wrote.is_ready() {
            self.waiting = None;
            return wrote;
        }
        let patience = self.patience;
        let waiting = self
            .waiting
            .get_or_insert_with(|| Box::pin(sleep(patience)));
        ready!(waiting.as_mut().poll(context));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl AsyncRead for Hurried {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl AsyncWrite for Hurried {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let wrote = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.watched(wrote, context)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        slices: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let wrote = Pin::new(&mut self.stream).poll_write_vectored(context, slices);
        self.watched(wrote, context)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let flushed = Pin::new(&mut self.stream).poll_flush(context);
        self.watched(flushed, context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::time::Instant;

    const PATIENCE: Duration = Duration::from_millis(500);

    async fn pair() -> (TcpStream, Hurried) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let caller = TcpStream::connect(listener.local_addr().unwrap());
        let (caller, accepted) = tokio::join!(caller, listener.accept());
        let accepted = accepted.unwrap().0;
        (caller.unwrap(), Hurried::new(accepted, PATIENCE))
    }

    #[tokio::test]
    async fn a_caller_that_takes_nothing_of_its_answer_is_cut_off() {
        let (silent, mut hurried) = pair().await;
        let piece = vec![0; 1 << 20];
        let begun = Instant::now();
        let writing = async {
            loop {
                if let Err(e) = hurried.write_all(&piece).await {
                    break e;
                }
            }
        };
        let end = tokio::time::timeout(20 * PATIENCE, writing).await;
        let end = end.expect("the connection is cut off");
        assert_eq!(end.kind(), io::ErrorKind::TimedOut);
        assert!(begun.elapsed() >= PATIENCE);
        drop(silent);
    }

    #[tokio::test]
    async fn a_caller_that_takes_its_answer_slowly_gets_all_of_it() {
        let (mut slow, mut hurried) = pair().await;
        let all = 24 << 20;
        let writer = tokio::spawn(async move {
            hurried.write_all(&vec![7; all]).await?;
            hurried.shutdown().await
        });
        let (mut taken, mut buffer) = (0, vec![0; 2 << 20]);
        let begun = Instant::now();
        loop {
            match slow.read(&mut buffer).await.unwrap() {
                0 => break,
                n => taken += n,
            }
            if begun.elapsed() < 3 * PATIENCE {
                tokio::time::sleep(PATIENCE / 5).await;
            }
        }
        writer.await.unwrap().unwrap();
        assert_eq!(taken, all);
    }
}
