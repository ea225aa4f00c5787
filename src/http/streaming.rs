//! Answers that are written while they are read: from a cursor of the database to the caller, a piece at a time.
//!
//! The rule of this file: what is not sent yet is bounded, so a slow reader makes the database wait and fills no memory;
//! and nothing lasts for ever. An answer that breaks off is broken off on the wire too, never ended as if it were whole.

use std::collections::HashMap;
use std::io;
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::task::Poll;
use std::time::Duration;

use axum::body::{Body, Bytes};
use futures_util::stream;
use tokio::sync::mpsc;
use tokio::sync::mpsc::error::SendTimeoutError;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tracing::Instrument as _;
use uuid::Uuid;

use super::problem::{ApiError, ApiResult};
use crate::store::StoreError;

/// The longest a stream may take, in seconds: it holds a connection of the database all the while.
pub const LONGEST_SECONDS: u64 = 600;

/// A piece is sent when it is this large, in bytes.
pub(super) const PIECE_BYTES: usize = 64 * 1024;

/// Pieces that may wait to be sent.
const WAITING_PIECES: usize = 4;

/// How long a stream waits for room.
const PATIENCE: Duration = Duration::from_secs(10);

/// How long a caller may leave a piece unread before the stream is broken off: it takes a connection from everybody else.
const SLOWEST_PIECE: Duration = Duration::from_mins(1);

/// Room for streams of one process. Each holds a connection of the database, of which the other requests need most, so it is
/// a quarter of the pool; and one group has half of that at most, so that its slow readers leave the others theirs.
#[derive(Debug)]
pub struct Room {
    all: Arc<Semaphore>,
    of_a_group: usize,
    groups: Mutex<HashMap<Uuid, Weak<Semaphore>>>,
}

/// Leave to stream, given back when it is dropped.
#[derive(Debug)]
pub(super) struct Permit(#[expect(dead_code, reason = "held, not read")] [OwnedSemaphorePermit; 2]);

impl Room {
    /// The room beside a pool of so many connections.
    #[must_use]
    pub fn beside(pool_size: u32) -> Self {
        let all = usize::try_from(pool_size / 4).unwrap_or(usize::MAX).clamp(1, 64);
        Self { all: Arc::new(Semaphore::new(all)), of_a_group: (all / 2).max(1), groups: Mutex::default() }
    }

    /// Waits for room to stream.
    ///
    /// # Errors
    /// 503 when there is none for a while.
    pub(super) async fn enter(&self, group_id: Uuid) -> ApiResult<Permit> {
        // Who waits for the own group takes no place that another group could have.
        let both = async {
            let own = self.of_group(group_id).acquire_owned().await?;
            Ok::<_, tokio::sync::AcquireError>([own, Arc::clone(&self.all).acquire_owned().await?])
        };
        match tokio::time::timeout(PATIENCE, both).await {
            Ok(Ok(permits)) => Ok(Permit(permits)),
            _ => Err(ApiError::unavailable("too many exports are at work; repeat it shortly")),
        }
    }

    fn of_group(&self, group_id: Uuid) -> Arc<Semaphore> {
        let mut groups = self.groups.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = groups.get(&group_id).and_then(Weak::upgrade) {
            return known;
        }
        groups.retain(|_, semaphore| semaphore.strong_count() > 0);
        let new = Arc::new(Semaphore::new(self.of_a_group));
        groups.insert(group_id, Arc::downgrade(&new));
        new
    }
}

/// Why a stream broke off.
#[derive(Debug, thiserror::Error)]
pub(super) enum StreamError {
    /// The caller went away; nobody is to be told.
    #[error("the caller left")]
    Left,
    /// The caller left a piece unread for too long.
    #[error("the caller reads too slowly")]
    Slow,
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
pub(super) struct Pieces(mpsc::Sender<Bytes>);

impl Pieces {
    /// Sends a piece, as soon as there is room for it.
    ///
    /// # Errors
    /// When the caller left, or reads nothing for a minute.
    pub(super) async fn send(&self, piece: impl Into<Bytes>) -> Result<(), StreamError> {
        match self.0.send_timeout(piece.into(), SLOWEST_PIECE).await {
            Ok(()) => Ok(()),
            Err(SendTimeoutError::Closed(_)) => Err(StreamError::Left),
            Err(SendTimeoutError::Timeout(_)) => Err(StreamError::Slow),
        }
    }
}

/// A body that `work` writes. It goes on after the handler has answered, under the request's name in the log.
pub(super) fn body<W>(permit: Permit, work: impl FnOnce(Pieces) -> W) -> Body
where
    W: Future<Output = Result<(), StreamError>> + Send + 'static,
{
    let (sender, mut receiver) = mpsc::channel(WAITING_PIECES);
    // What a reader meets where no further piece comes: nothing only if the work said that it is whole. It waits beside the
    // pieces, so that whoever reads nothing holds back neither the error nor what the work held.
    let end = Arc::new(Mutex::new(Some(io::Error::other("the service failed"))));
    let at_end = Arc::clone(&end);
    let work = work(Pieces(sender.clone()));
    let kept = async move {
        let _permit = permit;
        let met = match tokio::time::timeout(Duration::from_secs(LONGEST_SECONDS), work).await {
            Ok(Ok(()) | Err(StreamError::Left)) => None,
            Ok(Err(StreamError::Slow)) => {
                tracing::warn!("a stream was broken off: its caller read nothing for a minute");
                Some(io::Error::new(io::ErrorKind::TimedOut, "it was read too slowly"))
            }
            Ok(Err(error)) => {
                tracing::error!(%error, "a stream broke off");
                Some(io::Error::other("the service failed"))
            }
            Err(_) => {
                tracing::warn!("a stream took too long and was broken off");
                Some(io::Error::new(io::ErrorKind::TimedOut, "it took too long"))
            }
        };
        *at_end.lock().unwrap_or_else(PoisonError::into_inner) = met;
        // Only now may the reader find that no piece comes.
        drop(sender);
    };
    tokio::spawn(kept.in_current_span());
    Body::from_stream(stream::poll_fn(move |context| {
        let piece = std::task::ready!(receiver.poll_recv(context));
        Poll::Ready(piece.map(Ok).or_else(|| end.lock().unwrap_or_else(PoisonError::into_inner).take().map(Err)))
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn one_group_leaves_the_others_room_and_a_small_pool_keeps_most_for_other_work() {
        let room = Room::beside(16);
        let (ours, theirs) = (Uuid::from_u128(1), Uuid::from_u128(2));
        let held = [room.enter(ours).await.expect("room"), room.enter(ours).await.expect("room")];
        room.enter(ours).await.expect_err("half of the room is the group's");
        let others = [room.enter(theirs).await.expect("room"), room.enter(theirs).await.expect("room")];
        room.enter(Uuid::from_u128(3)).await.expect_err("a quarter of the pool is for streams");
        drop(held);
        room.enter(ours).await.expect("given back");
        drop(others);
        for pool_size in 2..=7 {
            let room = Room::beside(pool_size);
            let _one = room.enter(ours).await.expect("room for one");
            room.enter(theirs).await.expect_err("the rest is for other requests");
        }
    }

    #[tokio::test(start_paused = true)]
    async fn a_caller_that_reads_nothing_is_broken_off_after_a_minute_and_its_room_is_free() {
        let room = Room::beside(4);
        let permit = room.enter(Uuid::nil()).await.expect("room");
        let started = tokio::time::Instant::now();
        let (ended, end) = tokio::sync::oneshot::channel();
        let body = body(permit, move |pieces| async move {
            let outcome = loop {
                if let Err(error) = pieces.send(vec![0_u8; 8]).await {
                    break error;
                }
            };
            ended.send(started.elapsed()).ok();
            Err(outcome)
        });
        let waited = end.await.expect("it ends");
        assert_eq!(waited.as_secs(), 60);
        room.enter(Uuid::nil()).await.expect("its room is free while the caller still does not read");
        let read = axum::body::to_bytes(body, usize::MAX).await;
        assert!(read.is_err(), "it is broken off and not ended as if it were whole");
    }
}
