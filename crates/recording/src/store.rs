//! A file that several threads read at once.
//!
//! The `parquet` crate reads a [`File`] through clones of its handle, which share one position: threads would move it
//! under each other. Here each access seeks and reads under a lock, and no read is longer than the file, whatever a damaged
//! file promises.

use ::parquet::errors::{ParquetError, Result};
use ::parquet::file::reader::{ChunkReader, Length};
use bytes::Bytes;
use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::sync::{Arc, Mutex};

#[derive(Clone)]
pub(crate) enum Store {
    File { file: Arc<Mutex<File>>, length: u64 },
    Bytes(Bytes),
}

impl Store {
    pub(crate) fn of_file(file: File, length: u64) -> Self {
        Self::File { file: Arc::new(Mutex::new(file)), length }
    }

    pub(crate) fn of_bytes(bytes: &[u8]) -> Self {
        Self::Bytes(Bytes::copy_from_slice(bytes))
    }

    /// Fills `out` from a position.
    pub(crate) fn fill(&self, at: u64, out: &mut [u8]) -> io::Result<()> {
        At { store: self.clone(), at }.read_exact(out)
    }

    fn read_at(&self, at: u64, out: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::File { file, .. } => {
                let mut file =
                    file.lock().map_err(|_| io::Error::other("another thread gave up on the file"))?;
                file.seek(SeekFrom::Start(at))?;
                file.read(out)
            }
            Self::Bytes(bytes) => {
                let rest = usize::try_from(at).ok().and_then(|at| bytes.get(at..)).unwrap_or_default();
                let n = rest.len().min(out.len());
                out[..n].copy_from_slice(&rest[..n]);
                Ok(n)
            }
        }
    }
}

impl Length for Store {
    fn len(&self) -> u64 {
        match self {
            Self::File { length, .. } => *length,
            Self::Bytes(bytes) => bytes.len() as u64,
        }
    }
}

/// Reads on from a position of its own.
pub(crate) struct At {
    store: Store,
    at: u64,
}

impl Read for At {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let n = self.store.read_at(self.at, out)?;
        self.at += n as u64;
        Ok(n)
    }
}

/// Page headers are what is read this way, and they are short.
const HEADER: usize = 1024;

impl ChunkReader for Store {
    type T = BufReader<At>;

    fn get_read(&self, start: u64) -> Result<Self::T> {
        Ok(BufReader::with_capacity(HEADER, At { store: self.clone(), at: start }))
    }

    fn get_bytes(&self, start: u64, length: usize) -> Result<Bytes> {
        let end = start.checked_add(length as u64).filter(|&end| end <= self.len());
        let Some(end) = end else {
            return Err(ParquetError::EOF(format!(
                "{length} bytes at byte {start} lie beyond the end of the file at byte {}",
                self.len()
            )));
        };
        match self {
            Self::Bytes(bytes) => Ok(bytes.slice(start as usize..end as usize)),
            Self::File { .. } => {
                let mut out = vec![0; length];
                At { store: self.clone(), at: start }.read_exact(&mut out)?;
                Ok(out.into())
            }
        }
    }
}
