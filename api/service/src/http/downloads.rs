//! Files of jobs: lists, whole files and ranges, everything in one zip.

use super::answer::{self, tagged};
use super::limits::Permit;
use super::problem::{Error, NO_SUCH_RANGE, NOT_NOW};
use super::range::{Wanted, wanted};
use super::request::{Asked, job, job_id};
use super::{ApiArc, tables};
use crate::files::{FilePlace, Files};
use crate::model::{Job, JobFile, JobId, Side};
use axum::Json;
use axum::body::Body;
use axum::extract::{Path, State};
use axum::http::header::{
    ACCEPT_RANGES, CACHE_CONTROL, CONTENT_DISPOSITION, CONTENT_LENGTH, CONTENT_RANGE,
    CONTENT_SECURITY_POLICY, CONTENT_TYPE, IF_RANGE, RANGE,
};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use futures_util::{StreamExt, TryStreamExt};
use sha2::{Digest, Sha256};
use std::io::Write;
use std::ops::Range;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use zip::write::SimpleFileOptions;

/// A page of ours that is opened in a browser may show itself and nothing else.
const POLICY: &str =
    "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; font-src data:";
/// Bytes of a zip that are sent at a time.
const PIECE: usize = 64 * 1024;

pub(super) async fn made(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    asked: Asked,
) -> Result<Response, Error> {
    list(api, &id, asked, Side::Out).await
}

pub(super) async fn handed_in(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    asked: Asked,
) -> Result<Response, Error> {
    list(api, &id, asked, Side::In).await
}

async fn list(api: ApiArc, id: &str, mut asked: Asked, side: Side) -> Result<Response, Error> {
    let form = asked.form(&[("json", "application/json"), ("csv", "text/csv")]);
    asked.sound()?;
    let (_, files) = files_of(&api, job_id(id)?, side).await?;
    Ok(match form {
        "csv" => answer::csv(tables::files(&files)),
        _ => Json(files).into_response(),
    })
}

/// Not yet, or never.
fn no_files(job: &Job) -> Error {
    let detail = format!("The job is {} and has no files.", job.state);
    match job.state.is_end() {
        true => Error::not_found(detail),
        false => Error::new(NOT_NOW, detail),
    }
}

async fn files_of(api: &ApiArc, id: JobId, side: Side) -> Result<(Job, Vec<JobFile>), Error> {
    let found = job(api, id).await?;
    let files = api.shared.store.files(id, side).await?;
    Ok((found, files))
}

pub(super) async fn made_file(
    State(api): State<ApiArc>,
    Path((id, name)): Path<(String, String)>,
    asked: Asked,
) -> Result<Response, Error> {
    current_file(api, &id, &name, asked).await
}

/// A file that a job made; its programs only while no newer job has replaced it, or on purpose.
async fn current_file(
    api: ApiArc,
    id: &str,
    name: &str,
    mut asked: Asked,
) -> Result<Response, Error> {
    let too = asked.flag("stale").unwrap_or(false);
    asked.sound()?;
    if !too && name.starts_with(PROGRAMS) {
        let found = job(&api, job_id(id)?).await?;
        if let Some(newer) = found.replaced_by {
            let detail = format!(
                "Job {newer} replaced this one: its programs are stale, do not run them. With stale=true they are given all the same."
            );
            return Err(Error::new(super::problem::STALE, detail));
        }
    }
    file(api, id, Side::Out, name, asked).await
}

pub(super) async fn handed_in_file(
    State(api): State<ApiArc>,
    Path((id, name)): Path<(String, String)>,
    asked: Asked,
) -> Result<Response, Error> {
    file(api, &id, Side::In, &name, asked).await
}

pub(super) async fn report(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    asked: Asked,
) -> Result<Response, Error> {
    file(
        api,
        &id,
        Side::Out,
        grainway_stages::report::REPORT_FILE,
        asked,
    )
    .await
}

async fn file(
    api: ApiArc,
    id: &str,
    side: Side,
    name: &str,
    asked: Asked,
) -> Result<Response, Error> {
    let id = job_id(id)?;
    let (found, files) = files_of(&api, id, side).await?;
    // Only what the queue lists is ever looked for in the file store.
    let Some(file) = files.iter().find(|f| f.name == name) else {
        return Err(match (side, files.is_empty()) {
            (Side::Out, true) => no_files(&found),
            _ => Error::not_found("The job has no such file; its list has the names."),
        });
    };
    let tag = format!("\"{}\"", file.sha256);
    if asked.has(&tag) {
        return Ok(answer::same(&tag));
    }
    let range = range_wanted(&asked, &tag, file.bytes)?;
    let sent = range.clone().unwrap_or(0..file.bytes);
    let mut answer = match asked.head {
        true => Response::new(Body::empty()),
        false => {
            let attempt = found.output.as_deref().filter(|_| side == Side::Out);
            let place = FilePlace {
                job: id,
                side,
                attempt,
                name,
            };
            content(&api, &place, file.bytes, range.clone(), asked).await?
        }
    };
    if range.is_some() {
        *answer.status_mut() = StatusCode::PARTIAL_CONTENT;
        let text = format!("bytes {}-{}/{}", sent.start, sent.end - 1, file.bytes);
        put(&mut answer, CONTENT_RANGE, &text);
    }
    put(
        &mut answer,
        CONTENT_LENGTH,
        &(sent.end - sent.start).to_string(),
    );
    describe(&mut answer, name, side);
    Ok(tagged(answer, &tag))
}

/// The range that the caller wants of a file of so many bytes: of the version it has, and of nothing else.
fn range_wanted(asked: &Asked, tag: &str, bytes: u64) -> Result<Option<Range<u64>>, Error> {
    let current = asked.field(&IF_RANGE).is_none_or(|t| t.trim() == tag);
    let field = asked.field(&RANGE).filter(|_| current);
    match wanted(field, bytes) {
        Wanted::Whole => Ok(None),
        Wanted::Part(range) => Ok(Some(range)),
        Wanted::Nothing => Err(
            Error::new(NO_SUCH_RANGE, format!("The file has {} bytes.", bytes))
                .field(CONTENT_RANGE, &format!("bytes */{}", bytes)),
        ),
    }
}

/// An answer that streams a file, or a range of it. The caller's place among the requests is held until the stream ends.
async fn content(
    api: &ApiArc,
    place: &FilePlace<'_>,
    bytes: u64,
    range: Option<Range<u64>>,
    asked: Asked,
) -> Result<Response, Error> {
    let name = place.name;
    let reading = api.shared.files.read(place, range).await?;
    if reading.bytes != bytes {
        let cause = format!("{name} has {} bytes, not {bytes}", reading.bytes);
        return Err(Error::new(super::problem::FAILED, format!("{name} is damaged.")).cause(cause));
    }
    let permit = asked.permit;
    Ok(Response::new(Body::from_stream(reading.stream.inspect(
        move |_| {
            let _ = &permit;
        },
    ))))
}

/// What the fields of an answer say of a file.
fn describe(answer: &mut Response, name: &str, side: Side) {
    put(answer, CONTENT_TYPE, kind_of(name, side));
    put(answer, ACCEPT_RANGES, "bytes");
    put(answer, CONTENT_SECURITY_POLICY, POLICY);
    put(answer, CACHE_CONTROL, "private, no-cache");
    let own = name.rsplit('/').next().unwrap_or(name);
    // What others handed in is never shown by a browser: it might be a page with scripts.
    let way = match side {
        Side::In => "attachment",
        Side::Out => "inline",
    };
    put(
        answer,
        CONTENT_DISPOSITION,
        &format!("{way}; filename=\"{own}\""),
    );
}

fn put(answer: &mut Response, name: axum::http::HeaderName, value: &str) {
    if let Ok(value) = HeaderValue::from_str(value) {
        answer.headers_mut().insert(name, value);
    }
}

/// The media type of a file by its ending. Programs are text, whatever their controllers call them.
pub(super) fn kind_of(name: &str, side: Side) -> &'static str {
    let ending = name.rsplit_once('.').map_or("", |(_, e)| e);
    match ending.to_ascii_lowercase().as_str() {
        "json" => "application/json",
        "html" => "text/html; charset=utf-8",
        "pdf" => "application/pdf",
        "svg" => "image/svg+xml",
        "csv" => "text/csv; charset=utf-8",
        _ if side == Side::Out => "text/plain; charset=utf-8",
        _ => "application/octet-stream",
    }
}

pub(super) async fn zip(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    asked: Asked,
) -> Result<Response, Error> {
    let id = job_id(&id)?;
    let (found, mut files) = files_of(&api, id, Side::Out).await?;
    let (Some(attempt), false) = (found.output.clone(), files.is_empty()) else {
        return Err(no_files(&found));
    };
    files.sort_by(|a, b| a.name.cmp(&b.name));
    let stale = found.replaced_by;
    let body = match asked.head {
        true => Body::empty(),
        false => {
            let (sender, receiver) = mpsc::channel(4);
            let store = api.shared.files.clone();
            let place = asked.permit;
            tokio::spawn(async move {
                let place = place;
                if let Err(e) = write_zip(&store, id, attempt, files, stale, &sender, &place).await
                {
                    tracing::warn!(job = %id, "a zip broke off: {e}");
                    // The connection is cut, so that nobody takes what there is for the whole.
                    let _ = sender.send(Err(e)).await;
                }
            });
            Body::from_stream(ReceiverStream::new(receiver))
        }
    };
    let mut answer = answer::text("application/zip", body);
    let mark = if stale.is_some() { "-STALE" } else { "" };
    let named = format!("attachment; filename=\"{}{mark}.zip\"", found.code);
    put(&mut answer, CONTENT_DISPOSITION, &named);
    Ok(answer)
}

type Sender = mpsc::Sender<std::io::Result<Bytes>>;

/// What a zip is written to: pieces go out as they are full.
struct Pieces {
    sender: Sender,
    piece: Vec<u8>,
}

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.piece.extend_from_slice(bytes);
        if self.piece.len() >= PIECE {
            self.flush()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        if self.piece.is_empty() {
            return Ok(());
        }
        let piece = Bytes::from(std::mem::take(&mut self.piece));
        self.sender
            .blocking_send(Ok(piece))
            .map_err(|_| std::io::Error::other("the caller went away"))
    }
}

/// The folder of programs that were released.
pub(super) const PROGRAMS: &str = "programs/";

/// What a zip of a job that was replaced begins with, and the sentence in it.
const STALE_TEXT: &str = "STALE.txt";

fn stale_sentence(newer: JobId) -> String {
    format!("Stale: do not run these programs. Job {newer} replaced them; fetch that one.\n")
}

/// The name in a zip: programs of a job that was replaced lie where no controller looks, under a name that none takes.
fn packed_name(name: &str, stale: bool) -> String {
    match name.strip_prefix(PROGRAMS) {
        Some(program) if stale => format!("programs-stale/{program}.txt"),
        _ => name.to_string(),
    }
}

/// Writes all files in order, each checked against its sum. Times are left out: the same job gives the same bytes.
async fn write_zip(
    store: &Files,
    id: JobId,
    attempt: String,
    files: Vec<JobFile>,
    stale: Option<JobId>,
    sender: &Sender,
    _permit: &Permit,
) -> std::io::Result<()> {
    let (packer, mut contents) = mpsc::channel::<Packed>(4);
    let pieces = Pieces {
        sender: sender.clone(),
        piece: Vec::with_capacity(PIECE),
    };
    let written = tokio::task::spawn_blocking(move || -> std::io::Result<()> {
        let mut zip = zip::ZipWriter::new_stream(pieces);
        let options = SimpleFileOptions::default().last_modified_time(zip::DateTime::default());
        while let Some(packed) = contents.blocking_recv() {
            match packed {
                Packed::File(name, bytes) => {
                    let large = bytes >= u64::from(u32::MAX);
                    zip.start_file(name, options.large_file(large))?;
                }
                Packed::Piece(bytes) => zip.write_all(&bytes)?,
                Packed::End => {
                    zip.finish()?.into_inner().flush()?;
                    return Ok(());
                }
            }
        }
        Err(std::io::Error::other("a file could not be read"))
    });
    let read = async {
        let gone = |_| std::io::Error::other("the caller went away");
        if let Some(newer) = stale {
            let said = Bytes::from(stale_sentence(newer));
            let begin = Packed::File(STALE_TEXT.to_string(), said.len() as u64);
            packer.send(begin).await.map_err(gone)?;
            packer.send(Packed::Piece(said)).await.map_err(gone)?;
        }
        for file in files {
            let place = FilePlace {
                job: id,
                side: Side::Out,
                attempt: Some(&attempt),
                name: &file.name,
            };
            let mut reading = store
                .read(&place, None)
                .await
                .map_err(std::io::Error::other)?;
            let begin = Packed::File(packed_name(&file.name, stale.is_some()), file.bytes);
            packer.send(begin).await.map_err(gone)?;
            let mut sum = Sha256::new();
            while let Some(piece) = reading
                .stream
                .try_next()
                .await
                .map_err(std::io::Error::other)?
            {
                sum.update(&piece);
                packer.send(Packed::Piece(piece)).await.map_err(gone)?;
            }
            let sum: String = sum.finalize().iter().map(|b| format!("{b:02x}")).collect();
            if sum != file.sha256 {
                return Err(std::io::Error::other(format!("{} is damaged", file.name)));
            }
        }
        packer.send(Packed::End).await.map_err(gone)
    };
    let read = read.await;
    drop(packer);
    let written = written.await.map_err(std::io::Error::other)?;
    read.and(written)
}

/// What goes into a zip, in order.
enum Packed {
    File(String, u64),
    Piece(Bytes),
    End,
}
