//! Connections of the API: taking them, bounding them, ending them.
//!
//! The rule of this file: a client that opens a connection and then says nothing, or says it one byte a minute, holds
//! nothing that others need. Requests have a time limit of their own once they are read; this one is for the head
//! that has not come yet, and also ends connections that idle between requests.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio_util::sync::CancellationToken;

/// How long a request's head may take to come, from the first moment it could.
const HEAD_TIMEOUT: Duration = Duration::from_secs(30);

/// Connections open at once; further ones wait in the system's queue. Well below the usual 1,024 open files of a
/// process, so that the pool and the private cluster always find one.
const MOST_CONNECTIONS: usize = 768;

/// After a failed `accept` (no file descriptor left), so that the loop does not spin.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// Answers until `stop`, then lets each connection finish its running request.
pub(super) async fn answer(listener: TcpListener, app: Router, stop: CancellationToken) {
    answer_within(listener, app, stop, HEAD_TIMEOUT).await;
}

async fn answer_within(listener: TcpListener, app: Router, stop: CancellationToken, head_timeout: Duration) {
    let mut protocol = http1::Builder::new();
    protocol.timer(TokioTimer::new()).header_read_timeout(head_timeout);
    let open = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    let running = GracefulShutdown::new();
    loop {
        let next = async {
            let room = Arc::clone(&open).acquire_owned().await.expect("the semaphore is never closed");
            (listener.accept().await, room)
        };
        let Some((accepted, room)) = stop.run_until_cancelled(next).await else { break };
        let stream = match accepted {
            Ok((stream, _)) => stream,
            Err(error) => {
                tracing::warn!(%error, "cannot take a connection");
                tokio::time::sleep(ACCEPT_PAUSE).await;
                continue;
            }
        };
        // Answers are small and written whole; waiting to fill a packet would only delay them.
        let _ = stream.set_nodelay(true);
        let service = TowerToHyperService::new(app.clone());
        let connection = running.watch(protocol.serve_connection(TokioIo::new(stream), service));
        tokio::spawn(async move {
            if let Err(error) = connection.await {
                tracing::debug!(%error, "connection ended");
            }
            drop(room);
        });
    }
    drop(listener);
    running.shutdown().await;
}

#[cfg(test)]
mod tests {
    use axum::routing::get;
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
    use tokio::net::TcpStream;

    use super::*;

    async fn served(head_timeout: Duration) -> (std::net::SocketAddr, CancellationToken, tokio::task::JoinHandle<()>) {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("its address");
        let stop = CancellationToken::new();
        let app = Router::new().route("/", get(async || "here"));
        let serving = tokio::spawn(answer_within(listener, app, stop.clone(), head_timeout));
        (address, stop, serving)
    }

    async fn read_all(stream: &mut TcpStream) -> String {
        let mut text = String::new();
        stream.read_to_string(&mut text).await.expect("readable");
        text
    }

    // On a clock that stands still while anything can happen, and else jumps to what is awaited: no waiting, no luck.
    #[tokio::test(start_paused = true)]
    async fn a_head_that_never_ends_is_not_waited_for_longer_than_was_said() {
        let head_timeout = Duration::from_secs(7);
        let started = tokio::time::Instant::now();
        let (address, stop, serving) = served(head_timeout).await;
        let mut slow = TcpStream::connect(address).await.expect("connected");
        slow.write_all(b"GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ").await.expect("sent");
        let mut rest = Vec::new();
        // Ends by itself; hyper's own limit is thirty seconds.
        let _ = slow.read_to_end(&mut rest).await;
        assert!(!rest.starts_with(b"HTTP/1.1 200"), "{}", String::from_utf8_lossy(&rest));
        assert_eq!(started.elapsed().as_secs(), head_timeout.as_secs());
        stop.cancel();
        serving.await.expect("ended");
    }

    #[tokio::test]
    async fn a_request_is_answered_and_a_stop_ends_an_idle_connection() {
        let (address, stop, serving) = served(HEAD_TIMEOUT).await;
        let mut client = TcpStream::connect(address).await.expect("connected");
        client.write_all(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n").await.expect("sent");
        let mut first = [0; 15];
        client.read_exact(&mut first).await.expect("an answer");
        assert_eq!(&first, b"HTTP/1.1 200 OK");
        stop.cancel();
        assert!(read_all(&mut client).await.ends_with("here"));
        serving.await.expect("ended");
    }
}
