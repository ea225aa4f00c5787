//! Answers that are written while they are read: from a cursor of the database to the caller, a piece at a time.
//!
//! The rule of this file: what is not sent yet is bounded, so a slow reader makes the database wait and fills no memory;
//! and nothing lasts for ever. An answer that breaks off is broken off on the wire too, never ended as if it were whole.

use std::io;
use std::time::Duration;

use axum::body::{Body, Bytes};
use futures_util::stream;
use tokio::sync::mpsc;
use tokio::sync::{Semaphore, SemaphorePermit};
use tracing::Instrument as _;

use super::problem::{ApiError, ApiResult};
use crate::store::StoreError;

/// The longest a stream may take, in seconds: it holds a connection of the database all the while.
pub const LONGEST_SECONDS: u64 = 600;

/// A piece is sent when it is this large, in bytes.
pub(super) const PIECE_BYTES: usize = 64 * 1024;

/// Pieces that may wait to be sent.
const WAITING_PIECES: usize = 4;

/// Streams of one process at a time. Each holds a connection, of which the other requests need most.
static ROOM: Semaphore = Semaphore::const_new(4);

/// How long a stream waits for room.
const PATIENCE: Duration = Duration::from_secs(10);

/// Leave to stream.
pub(super) type Permit = SemaphorePermit<'static>;

/// Waits for room to stream.
///
/// # Errors
/// 503 when there is none for a while.
pub(super) async fn enter() -> ApiResult<Permit> {
    let full = || ApiError::unavailable("too many exports are at work; repeat it shortly");
    match tokio::time::timeout(PATIENCE, ROOM.acquire()).await {
        Ok(Ok(permit)) => Ok(permit),
        _ => Err(full()),
    }
}

/// Why a stream broke off.
#[derive(Debug, thiserror::Error)]
pub(super) enum StreamError {
    /// The caller went away; nobody is to be told.
    #[error("the caller left")]
    Left,
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Something could not be written.
    #[error("cannot be written: {0}")]
    Unwritable(String),
}

impl From<sqlx::Error> for StreamError {
    fn from(error: sqlx::Error) -> Self {
        Self::Store(error.into())
    }
}

impl From<zip::result::ZipError> for StreamError {
    fn from(error: zip::result::ZipError) -> Self {
        Self::Unwritable(error.to_string())
    }
}

impl From<io::Error> for StreamError {
    fn from(error: io::Error) -> Self {
        Self::Unwritable(error.to_string())
    }
}

impl From<csv::Error> for StreamError {
    fn from(error: csv::Error) -> Self {
        Self::Unwritable(error.to_string())
    }
}

impl From<serde_json::Error> for StreamError {
    fn from(error: serde_json::Error) -> Self {
        Self::Unwritable(error.to_string())
    }
}

/// Where pieces go.
#[derive(Clone, Debug)]
pub(super) struct Pieces(mpsc::Sender<io::Result<Bytes>>);

impl Pieces {
    /// Sends a piece, as soon as there is room for it.
    ///
    /// # Errors
    /// When the caller left.
    pub(super) async fn send(&self, piece: impl Into<Bytes>) -> Result<(), StreamError> {
        self.0.send(Ok(piece.into())).await.map_err(|_| StreamError::Left)
    }
}

/// A body that `work` writes. It goes on after the handler has answered, under the request's name in the log.
pub(super) fn body<W>(permit: Permit, work: impl FnOnce(Pieces) -> W) -> Body
where
    W: Future<Output = Result<(), StreamError>> + Send + 'static,
{
    let (sender, mut receiver) = mpsc::channel(WAITING_PIECES);
    let work = work(Pieces(sender.clone()));
    let kept = async move {
        let _permit = permit;
        let broken = match tokio::time::timeout(Duration::from_secs(LONGEST_SECONDS), work).await {
            Ok(Ok(()) | Err(StreamError::Left)) => return,
            Ok(Err(error)) => {
                tracing::error!(%error, "a stream broke off");
                io::Error::other("the service failed")
            }
            Err(_) => {
                tracing::warn!("a stream took too long and was broken off");
                io::Error::new(io::ErrorKind::TimedOut, "it took too long")
            }
        };
        // Whoever has left needs no error.
        sender.send(Err(broken)).await.ok();
    };
    tokio::spawn(kept.in_current_span());
    Body::from_stream(stream::poll_fn(move |context| receiver.poll_recv(context)))
}
