//! The files of jobs: a folder on this machine, or a store with an S3-style API. The same code for both.
//!
//! Layout: `jobs/ID/in/NAME` for what was handed in, `jobs/ID/out/ATTEMPT/NAME` for what an attempt made. Nothing is shared between
//! jobs and nothing is written twice, so what no job of the queue names can be removed at any time after a while.

use super::model::{JobFile, JobId, Millis, Side};
use bytes::Bytes;
use futures_util::stream::BoxStream;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// Where files are kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FilesUrl {
    /// A folder of this machine.
    Folder(PathBuf),
    /// `s3://bucket/prefix`; endpoint, region and keys come from the environment (`AWS_…`, as its open API names them).
    S3(String),
}

/// Why the files could not be had.
#[derive(Debug, thiserror::Error)]
pub enum FilesProblem {
    /// There is no such file.
    #[error("there is no file {0}")]
    Missing(String),
    /// A name that no file of a job can have.
    #[error("{0:?} is not a file name")]
    Name(String),
    /// A range outside of the file.
    #[error("the file has {bytes} bytes")]
    Range {
        /// How many it has.
        bytes: u64,
    },
    /// The store cannot be reached. Asking again may help.
    #[error("the file store cannot be reached: {0}")]
    Away(String),
    /// The disk is full or cannot be written.
    #[error("the file store cannot be written: {0}")]
    Disk(String),
    /// What is stored is not what was put there.
    #[error("{name} is damaged: its SHA-256 is not the one that was noted")]
    Damaged {
        /// Which.
        name: String,
    },
}

/// A file's place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place<'n> {
    /// The job.
    pub job: JobId,
    /// Handed in or made.
    pub side: Side,
    /// The attempt, for what was made.
    pub attempt: Option<&'n str>,
    /// Name with `/` between folders.
    pub name: &'n str,
}

/// A file being read.
pub struct Reading {
    /// How many bytes the whole file has.
    pub bytes: u64,
    /// The part that was asked for.
    pub range: Range<u64>,
    /// Its bytes.
    pub stream: BoxStream<'static, Result<Bytes, FilesProblem>>,
}

/// What a sweep finds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// The job's id, as the folder's name says.
    pub job: JobId,
    /// The attempts that have files.
    pub attempts: Vec<String>,
    /// When the newest of its files was written.
    pub newest: Millis,
}

/// The files of all jobs.
#[derive(Clone)]
pub struct Files {}

impl Files {
    /// Opens the store; makes the folder where there is none.
    pub fn open(_url: &FilesUrl) -> Result<Files, FilesProblem> {
        Err(unbuilt())
    }

    /// A short word for the log, without keys.
    pub fn shown(&self) -> String {
        String::new()
    }

    /// Stores bytes; when it returns they are on disk.
    pub async fn put(&self, _place: &Place<'_>, _bytes: Bytes) -> Result<JobFile, FilesProblem> {
        Err(unbuilt())
    }

    /// Stores a file of this machine, streamed.
    pub async fn put_file(
        &self,
        _place: &Place<'_>,
        _from: &Path,
    ) -> Result<JobFile, FilesProblem> {
        Err(unbuilt())
    }

    /// Reads a file, or a part of it.
    pub async fn read(
        &self,
        _place: &Place<'_>,
        _range: Option<Range<u64>>,
    ) -> Result<Reading, FilesProblem> {
        Err(unbuilt())
    }

    /// Writes a job's files into a folder of this machine and checks each against its checksum.
    pub async fn fetch(
        &self,
        _job: JobId,
        _side: Side,
        _attempt: Option<&str>,
        _files: &[JobFile],
        _into: &Path,
    ) -> Result<(), FilesProblem> {
        Err(unbuilt())
    }

    /// Removes all files of a job. Files that are gone already are no failure.
    pub async fn remove_job(&self, _job: JobId) -> Result<(), FilesProblem> {
        Err(unbuilt())
    }

    /// Removes what an attempt made.
    pub async fn remove_attempt(&self, _job: JobId, _attempt: &str) -> Result<(), FilesProblem> {
        Err(unbuilt())
    }

    /// Every job that has files, whether the queue knows it or not.
    pub async fn found(&self) -> Result<Vec<Found>, FilesProblem> {
        Err(unbuilt())
    }

    /// Removes half-written files that a killed process of this machine left.
    pub async fn clean(&self) -> Result<u64, FilesProblem> {
        Err(unbuilt())
    }

    /// Writes, reads back and removes a small file: for readiness and `doctor`.
    pub async fn probe(&self) -> Result<(), FilesProblem> {
        Err(unbuilt())
    }
}

fn unbuilt() -> FilesProblem {
    FilesProblem::Disk("not built in yet".to_string())
}
