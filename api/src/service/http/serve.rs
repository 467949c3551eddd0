//! Connections: read within a time and a size, written within a time, ended in good order when the service stops.

use super::SharedArc;
use axum::extract::ConnectInfo;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::time::{Sleep, sleep};
use tower::ServiceExt;

/// Largest head of a request, bytes.
const LARGEST_HEAD: usize = 32 * 1024;
/// Most fields of a head.
const MOST_FIELDS: usize = 100;
/// A caller that takes no byte of its answer for so long is cut off.
const LONGEST_WRITE: Duration = Duration::from_secs(60);
/// Connections for each request at a time: most wait for their caller's next one.
const CONNECTIONS: usize = 4;
/// How long nothing is accepted when the system gives no more connections.
const NO_MORE: Duration = Duration::from_millis(200);
/// How long answers on their way may take once the service stops.
const LAST_ANSWERS: Duration = Duration::from_secs(10);

/// Serves the API until `shared.stop` is set; answers on their way are finished, within a time.
pub async fn serve(shared: SharedArc, listener: TcpListener) {
    let limits = &shared.config.limits;
    let read = Duration::from_secs(limits.read_seconds.max(1));
    let most = CONNECTIONS * limits.requests_at_a_time.max(1) as usize;
    let places = Arc::new(Semaphore::new(most));
    let router = super::router(Arc::clone(&shared));
    let mut stop = shared.stop.subscribe();
    let graceful = GracefulShutdown::new();
    loop {
        let place = tokio::select! {
            place = Arc::clone(&places).acquire_owned() => place,
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
                tokio::time::sleep(NO_MORE).await;
                continue;
            }
        };
        let _ = stream.set_nodelay(true);
        let router = router.clone();
        let service =
            tower::service_fn(move |mut request: hyper::Request<hyper::body::Incoming>| {
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
                TokioIo::new(Hurried::new(stream)),
                TowerToHyperService::new(service),
            );
        let connection = graceful.watch(connection);
        tokio::spawn(async move {
            let _place = place;
            if let Err(e) = connection.await {
                tracing::debug!("a connection ended: {e}");
            }
        });
    }
    drop(listener);
    if tokio::time::timeout(LAST_ANSWERS, graceful.shutdown())
        .await
        .is_err()
    {
        tracing::warn!("answers on their way are cut off");
    }
}

/// A connection whose writes must go on.
struct Hurried {
    stream: TcpStream,
    waiting: Option<Pin<Box<Sleep>>>,
}

impl Hurried {
    fn new(stream: TcpStream) -> Hurried {
        Hurried {
            stream,
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
        let waiting = self
            .waiting
            .get_or_insert_with(|| Box::pin(sleep(LONGEST_WRITE)));
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
    use tokio::io::AsyncWriteExt;
    use tokio::time::Instant;

    #[tokio::test]
    async fn a_caller_that_takes_nothing_of_its_answer_is_cut_off() {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let silent = TcpStream::connect(listener.local_addr().unwrap());
        let (silent, accepted) = tokio::join!(silent, listener.accept());
        let mut hurried = Hurried::new(accepted.unwrap().0);
        // Time passes as soon as nothing else does.
        tokio::time::pause();
        let begun = Instant::now();
        let piece = vec![0; 1 << 20];
        let mut written = 0;
        let end = loop {
            match hurried.write_all(&piece).await {
                Ok(()) => written += 1,
                Err(e) => break e,
            }
            assert!(written < 1000, "somebody reads");
        };
        assert_eq!(end.kind(), io::ErrorKind::TimedOut);
        assert!((LONGEST_WRITE..2 * LONGEST_WRITE).contains(&begun.elapsed()));
        drop(silent);
    }
}
