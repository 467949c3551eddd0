//! Fetching what a job made: every file checked against the size and sum that the server told, the folder swapped in whole.

use super::{ClientProblem, Server};
use crate::model::{JobFile, JobId};
use crate::names::safe_name;
use futures_util::future::BoxFuture;
use grainway_runner::{OutputFolder, OutputProblem};
use reqwest::Method;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

/// A file of which nothing more comes for so long is asked for again.
const SILENCE: Duration = Duration::from_secs(60);

/// Fetches all files of a job into the folder `out`, which is replaced whole; when anything fails it stays as it is. `job_folder` is a
/// folder that `out` may not hold. `wait` waits for the download or ends it early; `look` sees how many files of how many are there.
pub fn fetch<'s>(
    server: &'s Server,
    id: JobId,
    out: &Path,
    job_folder: &Path,
    wait: impl FnOnce(
        BoxFuture<'_, Result<Vec<JobFile>, ClientProblem>>,
    ) -> Result<Vec<JobFile>, ClientProblem>,
    look: impl Fn(usize, usize) + Send + Sync + 's,
) -> Result<Vec<JobFile>, ClientProblem> {
    let folder = OutputFolder::claim(out, job_folder)?;
    let mut fetched = Vec::new();
    let mut problem = None;
    let replaced =
        folder.replace(
            |fresh| match wait(Box::pin(download(server, id, fresh, &look))) {
                Ok(files) => {
                    fetched = files;
                    Ok(())
                }
                Err(e) => {
                    let what = format!("{} stays as it was", out.display());
                    problem = Some(e);
                    Err(disk(&what, std::io::Error::other("nothing was fetched")))
                }
            },
        );
    match (problem, replaced) {
        (Some(problem), _) => Err(problem),
        (None, Err(e)) => Err(e.into()),
        (None, Ok(())) => Ok(fetched),
    }
}

fn disk(what: &str, error: std::io::Error) -> OutputProblem {
    OutputProblem::Disk {
        what: what.to_string(),
        error,
    }
}

async fn download(
    server: &Server,
    id: JobId,
    into: &Path,
    look: &(impl Fn(usize, usize) + Sync),
) -> Result<Vec<JobFile>, ClientProblem> {
    current(server, id).await?;
    let files = server.files(id).await?;
    if files.is_empty() {
        return Err(ClientProblem::Input(format!(
            "job {id} has made no files; `grainway follow {id}` tells where it is"
        )));
    }
    let mut names = BTreeSet::new();
    for file in &files {
        // What a server says never names a place outside of the folder.
        if !file.name.split('/').all(safe_name) || !names.insert(file.name.as_str()) {
            return Err(server.strange(&format!("{:?} is no file name", file.name)));
        }
    }
    for (i, file) in files.iter().enumerate() {
        look(i, files.len());
        one(server, id, file, into).await?;
    }
    look(files.len(), files.len());
    // It may have been replaced meanwhile.
    current(server, id).await?;
    Ok(files)
}

/// Refuses a job that a newer one took the place of.
async fn current(server: &Server, id: JobId) -> Result<(), ClientProblem> {
    match server.job(id).await?.replaced_by {
        Some(newer) => Err(ClientProblem::Stale { id, newer }),
        None => Ok(()),
    }
}

/// One file; when the connection is lost in the middle it is asked for again from the start.
async fn one(server: &Server, id: JobId, file: &JobFile, into: &Path) -> Result<(), ClientProblem> {
    let failed = |e| disk(&format!("{} cannot be written", file.name), e);
    let path = into.join(&file.name);
    if let Some(parent) = path.parent() {
        std::fs::create_dir_all(parent).map_err(failed)?;
    }
    let id = id.to_string();
    let parts: Vec<&str> = ["v1", "jobs", id.as_str(), "files"]
        .into_iter()
        .chain(file.name.split('/'))
        .collect();
    let url = server.url(&parts);
    let begun = Instant::now();
    loop {
        let answer = server
            .ask(server.patience, false, || {
                server.request(Method::GET, url.clone())
            })
            .await?;
        let mut out = std::fs::File::create(&path).map_err(failed)?;
        match stream(server, answer, file, &mut out).await? {
            Streamed::Whole => {
                out.sync_all().map_err(failed)?;
                return Ok(());
            }
            Streamed::Broken(problem) if begun.elapsed() > server.patience => return Err(problem),
            Streamed::Broken(_) => tokio::time::sleep(Duration::from_millis(300)).await,
        }
    }
}

enum Streamed {
    Whole,
    Broken(ClientProblem),
}

async fn stream(
    server: &Server,
    mut answer: reqwest::Response,
    file: &JobFile,
    out: &mut std::fs::File,
) -> Result<Streamed, ClientProblem> {
    let mut sum = Sha256::new();
    let mut bytes = 0;
    loop {
        let chunk = match tokio::time::timeout(SILENCE, answer.chunk()).await {
            Ok(Ok(Some(chunk))) => chunk,
            Ok(Ok(None)) => break,
            Ok(Err(e)) => return Ok(Streamed::Broken(server.away(&e))),
            Err(_) => {
                return Ok(Streamed::Broken(ClientProblem::Away {
                    server: server.base.to_string(),
                    why: format!("nothing more of {} came", file.name),
                }));
            }
        };
        bytes += chunk.len() as u64;
        if bytes > file.bytes {
            break;
        }
        sum.update(&chunk);
        out.write_all(&chunk)
            .map_err(|e| disk(&format!("{} cannot be written", file.name), e))?;
    }
    let sum: String = sum.finalize().iter().map(|b| format!("{b:02x}")).collect();
    match bytes == file.bytes && sum == file.sha256 {
        true => Ok(Streamed::Whole),
        false => Err(ClientProblem::Damaged {
            name: file.name.clone(),
        }),
    }
}
