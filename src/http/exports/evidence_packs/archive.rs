//! A ZIP file that is written from beginning to end without going back, so that it can be sent while it is written.
//!
//! The rule of this file: what is written waits in one buffer until it is sent, and the caller of [`Archive::write`] gives
//! it the chance to be sent often enough.

use std::io::{self, Write};
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, Datelike as _, Timelike as _, Utc};
use data_encoding::HEXLOWER;
use sha2::{Digest as _, Sha256};
use zip::write::{SimpleFileOptions, StreamWriter};
use zip::{CompressionMethod, ZipWriter};

use crate::domain::evidence_pack::manifest::PackFile;
use crate::http::streaming::{PIECE_BYTES, Pieces, StreamError};

/// What was written and not sent.
#[derive(Clone, Debug, Default)]
struct Outbox(Arc<Mutex<Vec<u8>>>);

impl Outbox {
    fn take(&self) -> Vec<u8> {
        std::mem::take(&mut *self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn len(&self) -> usize {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).len()
    }
}

impl Write for Outbox {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// The archive.
pub(super) struct Archive {
    /// Boxed: it is large, and futures hold it.
    zip: Box<ZipWriter<StreamWriter<Outbox>>>,
    outbox: Outbox,
    pieces: Pieces,
    options: SimpleFileOptions,
    open: Option<OpenFile>,
    files: Vec<PackFile>,
}

struct OpenFile {
    path: String,
    hash: Sha256,
    bytes: u64,
}

impl Archive {
    /// An archive whose files bear this instant.
    pub(super) fn new(pieces: Pieces, made_at: DateTime<Utc>) -> Self {
        let outbox = Outbox::default();
        let part = |value: u32| u8::try_from(value).unwrap_or(1);
        // ZIP counts from 1980 on (APPNOTE 4.4.6); an instant before that has no name there.
        let time = u16::try_from(made_at.year()).ok().and_then(|year| {
            let (month, day) = (part(made_at.month()), part(made_at.day()));
            let (hour, minute, second) = (part(made_at.hour()), part(made_at.minute()), part(made_at.second()));
            zip::DateTime::from_date_and_time(year, month, day, hour, minute, second).ok()
        });
        let options = SimpleFileOptions::default()
            .compression_method(CompressionMethod::Deflated)
            // Below the usual level, for speed: the files are text that shrinks anyhow.
            .compression_level(Some(3))
            .last_modified_time(time.unwrap_or_default());
        let zip = Box::new(ZipWriter::new_stream(outbox.clone()));
        Self { zip, outbox, pieces, options, open: None, files: Vec::new() }
    }

    /// Begins a file.
    pub(super) fn begin(&mut self, path: &str) -> Result<(), StreamError> {
        self.zip.start_file(path, self.options)?;
        self.open = Some(OpenFile { path: path.to_owned(), hash: Sha256::new(), bytes: 0 });
        Ok(())
    }

    /// Writes to the file that was begun; sends what is ready.
    pub(super) async fn write(&mut self, content: &[u8]) -> Result<(), StreamError> {
        // A large content is taken in parts, so that not all of it waits to be sent.
        for part in content.chunks(PIECE_BYTES) {
            self.zip.write_all(part)?;
            if let Some(open) = &mut self.open {
                open.hash.update(part);
                open.bytes += u64::try_from(part.len()).unwrap_or(u64::MAX);
            }
            if self.outbox.len() >= PIECE_BYTES {
                self.pieces.send(self.outbox.take()).await?;
            }
        }
        Ok(())
    }

    /// Ends the file that was begun, which has so many rows.
    pub(super) fn end(&mut self, rows: Option<u64>) {
        if let Some(OpenFile { path, hash, bytes }) = self.open.take() {
            self.files.push(PackFile { path, sha256: HEXLOWER.encode(&hash.finalize()), bytes, rows });
        }
    }

    /// A file whose content is at hand.
    pub(super) async fn add(&mut self, path: &str, content: &[u8], rows: Option<u64>) -> Result<(), StreamError> {
        self.begin(path)?;
        self.write(content).await?;
        self.end(rows);
        Ok(())
    }

    /// The files so far.
    pub(super) fn files(&self) -> &[PackFile] {
        &self.files
    }

    /// Ends the archive and sends the rest of it.
    pub(super) async fn finish(self) -> Result<(), StreamError> {
        let Self { zip, outbox, pieces, .. } = self;
        (*zip).finish()?;
        pieces.send(outbox.take()).await
    }
}
