//! The client of the service: hands jobs in, follows them, fetches what was made. It goes through the HTTP API like everybody else.
//!
//! [`model`] has the documents that client and service exchange, [`names`] the rule for names of files, and [`outgoing`] the guarded
//! client for addresses that somebody else chose.
//!
//! Everything asked here may be asked twice: a job is handed in under a key of its own, so a lost answer costs another request and
//! never another job.

mod collect;
mod fetch;
pub mod model;
pub mod names;
pub mod outgoing;

pub use collect::{Collected, collect};
pub use fetch::fetch;

use crate::model::{JobFile, JobId, JobState, When};
use crate::outgoing::{innermost, use_ring};
use bytes::Bytes;
use grainway_runner::OutputProblem;
use reqwest::header::{CONTENT_TYPE, RETRY_AFTER};
use reqwest::{Method, RequestBuilder, Response, StatusCode};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::time::{Duration, Instant};
use url::Url;

/// Where the service listens when nobody says otherwise.
pub const SERVER: &str = "http://127.0.0.1:4750";
/// So long a server that went away is waited for.
const PATIENCE: Duration = Duration::from_secs(20);
/// So long one that answered before is waited for while a job is followed: it may be starting anew.
const LONG_PATIENCE: Duration = Duration::from_secs(600);
/// One request with its answer, without large files.
const ONE_REQUEST: Duration = Duration::from_secs(60);
/// A job's files on a slow line.
const UPLOAD: Duration = Duration::from_secs(900);
/// How long the server holds an answer back while a job goes on, seconds.
const WAIT_SECONDS: u32 = 30;
/// Largest answer that is not a file.
const ANSWER_BYTES: usize = 64 * 1024 * 1024;

/// Why something asked of a server did not happen.
#[derive(Debug, thiserror::Error)]
pub enum ClientProblem {
    /// An option or a setting is wrong.
    #[error("{0}")]
    Usage(String),
    /// The job's own files cannot be read.
    #[error("{0}")]
    Input(String),
    /// The server refuses: the user must act.
    #[error("{detail}")]
    Refused {
        /// The HTTP status.
        status: u16,
        /// One sentence.
        detail: String,
        /// All that is wrong.
        problems: Vec<Problem>,
    },
    /// The server cannot be reached.
    #[error("{server} cannot be reached: {why}; is the service running, and is --server right?")]
    Away {
        /// Its URL.
        server: String,
        /// The innermost reason.
        why: String,
    },
    /// The server failed, or answers what this grainway does not understand.
    #[error("{server} failed: {detail}")]
    Server {
        /// Its URL.
        server: String,
        /// What it said.
        detail: String,
    },
    /// A newer job took the place of the one that was asked for.
    #[error(
        "job {id} was replaced by {newer}: its programs are stale, do not run them; nothing was fetched. Fetch {newer} instead"
    )]
    Stale {
        /// The job that was asked for.
        id: JobId,
        /// The one whose programs are to be used.
        newer: JobId,
    },
    /// A file arrived otherwise than it was told.
    #[error(
        "{name} arrived damaged or was changed meanwhile: its SHA-256 is not the one the server told; fetch again"
    )]
    Damaged {
        /// Which.
        name: String,
    },
    /// Somebody interrupted it.
    #[error("cancelled")]
    Cancelled,
    /// The output folder.
    #[error(transparent)]
    Output(#[from] OutputProblem),
}

/// One problem of a request, as the API tells it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Problem {
    /// Where.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub pointer: String,
    /// A stable word.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub code: String,
    /// What.
    pub message: String,
    /// What to do.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub remedy: String,
}

impl std::fmt::Display for Problem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.message)?;
        if !self.pointer.is_empty() {
            write!(f, " [{}]", self.pointer)?;
        }
        if !self.remedy.is_empty() {
            write!(f, " {}", self.remedy)?;
        }
        Ok(())
    }
}

/// What an error answer says, as far as it is one of ours.
#[derive(Default, Deserialize)]
#[serde(default)]
struct ProblemDocument {
    title: String,
    detail: String,
    problems: Vec<Problem>,
}

/// A job as the server tells it.
#[derive(Clone, Debug)]
pub struct Seen {
    /// Its id.
    pub id: JobId,
    /// Its name.
    pub name: String,
    /// Where it is.
    pub state: JobState,
    /// The stage at work.
    pub stage: Option<String>,
    /// Its sentence, once it ended.
    pub sentence: Option<String>,
    /// The newer job that took its place: its own programs are stale.
    pub replaced_by: Option<JobId>,
    /// All that the server told.
    pub told: Value,
}

/// How a job is to be handed in.
#[derive(Clone, Debug, Default)]
pub struct SendOptions {
    /// -100 to 100; higher runs first.
    pub priority: Option<i32>,
    /// In which hours.
    pub when: When,
    /// A word for jobs that belong together.
    pub batch: Option<String>,
    /// The job whose programs become stale.
    pub replaces: Option<JobId>,
    /// Check only.
    pub dry_run: bool,
}

/// A server.
pub struct Server {
    base: Url,
    token: Option<String>,
    http: reqwest::Client,
    patience: Duration,
}

impl Server {
    /// The server at `url`, an `http` or `https` address; paths of the API are added to it.
    pub fn new(url: &str, token: Option<String>) -> Result<Server, ClientProblem> {
        let usage = |why: &str| {
            ClientProblem::Usage(format!(
                "{url:?} is not a server's address: {why}; it looks like {SERVER}"
            ))
        };
        let mut base = Url::parse(url).map_err(|e| usage(&e.to_string()))?;
        if !matches!(base.scheme(), "http" | "https") || base.host().is_none() {
            return Err(usage("it does not begin with http:// or https://"));
        }
        if !base.username().is_empty() || base.password().is_some() {
            return Err(usage("names and passwords do not belong into it"));
        }
        if token
            .as_ref()
            .is_some_and(|t| !t.bytes().all(|b| b.is_ascii_graphic()))
        {
            return Err(ClientProblem::Usage(
                "the token holds spaces or signs that no token has".to_string(),
            ));
        }
        if !base.path().ends_with('/') {
            base.set_path(&format!("{}/", base.path()));
        }
        base.set_query(None);
        base.set_fragment(None);
        use_ring();
        let builder = |roots: bool| {
            let builder = reqwest::Client::builder()
                .redirect(reqwest::redirect::Policy::none())
                .no_proxy()
                .connect_timeout(Duration::from_secs(10))
                .user_agent(concat!("grainway/", env!("CARGO_PKG_VERSION")));
            match roots {
                true => builder.build(),
                // A machine without certificates still reaches a server without TLS.
                false => builder.tls_certs_only([]).build(),
            }
        };
        let http = builder(true).or_else(|_| builder(false)).map_err(|e| {
            ClientProblem::Usage(format!("no request can be sent: {}", innermost(&e)))
        })?;
        Ok(Server {
            base,
            token,
            http,
            patience: PATIENCE,
        })
    }

    /// Gives up on a server that cannot be reached after this time.
    pub fn patient(self, patience: Duration) -> Server {
        Server { patience, ..self }
    }

    fn url(&self, parts: &[&str]) -> Url {
        let mut url = self.base.clone();
        if let Ok(mut path) = url.path_segments_mut() {
            path.pop_if_empty().extend(parts);
        }
        url
    }

    fn request(&self, method: Method, url: Url) -> RequestBuilder {
        let request = self.http.request(method, url);
        match &self.token {
            Some(token) => request.bearer_auth(token),
            None => request,
        }
    }

    /// Asks until there is an answer that says something: a lost connection, a server that starts or is full is asked again.
    /// With `busy` a conflict is too: the same request is still at work.
    async fn ask(
        &self,
        patience: Duration,
        busy: bool,
        make: impl Fn() -> RequestBuilder,
    ) -> Result<Response, ClientProblem> {
        let begun = Instant::now();
        let mut wait = Duration::from_millis(200);
        loop {
            let (problem, asked) = match make().send().await {
                Ok(answer) if answer.status().is_success() => return Ok(answer),
                Ok(answer) => {
                    let status = answer.status();
                    let again = is_again(status) || busy && status == StatusCode::CONFLICT;
                    let asked = answer
                        .headers()
                        .get(RETRY_AFTER)
                        .and_then(|v| v.to_str().ok()?.parse().ok())
                        .map(Duration::from_secs);
                    let problem = self.problem(answer).await;
                    if !again {
                        return Err(problem);
                    }
                    (problem, asked)
                }
                Err(e) if e.is_builder() => return Err(ClientProblem::Usage(innermost(&e))),
                Err(e) => (self.away(&e), None),
            };
            let this = asked.unwrap_or(wait).max(wait);
            if begun.elapsed() + this > patience {
                return Err(problem);
            }
            tokio::time::sleep(this).await;
            wait = (2 * wait).min(Duration::from_secs(5));
        }
    }

    fn away(&self, error: &reqwest::Error) -> ClientProblem {
        ClientProblem::Away {
            server: self.base.to_string(),
            why: match error.is_timeout() {
                true => "it did not answer in time".to_string(),
                false => innermost(error),
            },
        }
    }

    fn strange(&self, what: &str) -> ClientProblem {
        ClientProblem::Server {
            server: self.base.to_string(),
            detail: format!(
                "its answer is not understood ({what}); is it a grainway service of this version?"
            ),
        }
    }

    async fn problem(&self, answer: Response) -> ClientProblem {
        let status = answer.status();
        let bytes = self.bytes(answer).await.unwrap_or_default();
        let told: ProblemDocument = serde_json::from_slice(&bytes).unwrap_or_default();
        let detail = [told.detail, told.title, format!("it answered {status}")]
            .into_iter()
            .find(|d| !d.is_empty())
            .unwrap_or_default();
        if status.is_client_error() {
            return ClientProblem::Refused {
                status: status.as_u16(),
                detail,
                problems: told.problems,
            };
        }
        ClientProblem::Server {
            server: self.base.to_string(),
            detail,
        }
    }

    async fn bytes(&self, mut answer: Response) -> Result<Vec<u8>, ClientProblem> {
        let mut bytes = Vec::new();
        while let Some(chunk) = answer.chunk().await.map_err(|e| self.away(&e))? {
            if bytes.len() + chunk.len() > ANSWER_BYTES {
                return Err(self.strange("it is too large"));
            }
            bytes.extend_from_slice(&chunk);
        }
        Ok(bytes)
    }

    async fn json(&self, answer: Response) -> Result<Value, ClientProblem> {
        let bytes = self.bytes(answer).await?;
        serde_json::from_slice(&bytes).map_err(|e| self.strange(&e.to_string()))
    }

    fn seen(&self, told: Value) -> Result<Seen, ClientProblem> {
        let text = |name: &str| told.get(name).and_then(Value::as_str);
        let id = text("id").and_then(|t| t.parse().ok());
        let state = text("state").and_then(|t| t.parse().ok());
        let (Some(id), Some(state)) = (id, state) else {
            return Err(self.strange("it is no job"));
        };
        Ok(Seen {
            id,
            state,
            name: text("name").unwrap_or_default().to_string(),
            stage: text("stage").map(str::to_string),
            replaced_by: text("replaced-by").and_then(|t| t.parse().ok()),
            sentence: told
                .pointer("/summary/sentence")
                .and_then(Value::as_str)
                .map(str::to_string),
            told,
        })
    }

    /// Hands a job in. With `dry_run` nothing is kept and the answer is what the server found.
    pub async fn send(
        &self,
        collected: &Collected,
        options: &SendOptions,
    ) -> Result<Value, ClientProblem> {
        let mut url = self.url(&["v1", "jobs"]);
        {
            let mut query = url.query_pairs_mut();
            if let Some(priority) = options.priority {
                query.append_pair("priority", &priority.to_string());
            }
            if options.when == When::Hours {
                query.append_pair("when", "hours");
            }
            if let Some(batch) = &options.batch {
                query.append_pair("batch", batch);
            }
            if let Some(replaces) = &options.replaces {
                query.append_pair("replaces", &replaces.to_string());
            }
            if options.dry_run {
                query.append_pair("dry-run", "true");
            }
        }
        if url.query() == Some("") {
            url.set_query(None);
        }
        self.hand_in(url, "application/zip", collected.zipped()?)
            .await
    }

    /// Makes a job again with the wood as it was measured at the machine: `thickness` and `pieces`, as the API has them. The new job
    /// replaces the old one once it is ready.
    pub async fn measured(
        &self,
        id: JobId,
        measured: &Value,
        dry_run: bool,
    ) -> Result<Value, ClientProblem> {
        self.again(id, "measured", measured, dry_run).await
    }

    /// Makes parts of a job again: part → how many.
    pub async fn remake(
        &self,
        id: JobId,
        parts: &Value,
        dry_run: bool,
    ) -> Result<Value, ClientProblem> {
        let body = json!({ "parts": parts });
        self.again(id, "remake", &body, dry_run).await
    }

    async fn again(
        &self,
        id: JobId,
        route: &str,
        body: &Value,
        dry_run: bool,
    ) -> Result<Value, ClientProblem> {
        let mut url = self.url(&["v1", "jobs", &id.to_string(), route]);
        if dry_run {
            url.set_query(Some("dry-run=true"));
        }
        self.hand_in(url, "application/json", body.to_string().into_bytes())
            .await
    }

    /// Posts what makes a job, under a key of its own: asked again after a lost answer it makes no second one.
    async fn hand_in(
        &self,
        url: Url,
        content: &str,
        body: Vec<u8>,
    ) -> Result<Value, ClientProblem> {
        let body = Bytes::from(body);
        let key = uuid::Uuid::new_v4().to_string();
        let answer = self
            .ask(self.patience, true, || {
                self.request(Method::POST, url.clone())
                    .header(CONTENT_TYPE, content)
                    .header("idempotency-key", &key)
                    .timeout(UPLOAD)
                    .body(body.clone())
            })
            .await?;
        self.json(answer).await
    }

    /// Reads a job that [`Server::send`], [`Server::measured`] or [`Server::remake`] brought.
    pub fn job_of(&self, told: Value) -> Result<Seen, ClientProblem> {
        self.seen(told)
    }

    /// A job as it is now.
    pub async fn job(&self, id: JobId) -> Result<Seen, ClientProblem> {
        let url = self.url(&["v1", "jobs", &id.to_string()]);
        let answer = self
            .ask(self.patience, false, || {
                self.request(Method::GET, url.clone()).timeout(ONE_REQUEST)
            })
            .await?;
        self.json(answer).await.and_then(|told| self.seen(told))
    }

    /// Follows a job until it ended; `look` sees it after every answer.
    pub async fn follow(
        &self,
        id: JobId,
        mut look: impl FnMut(&Seen),
    ) -> Result<Seen, ClientProblem> {
        let mut patience = self.patience;
        let mut wait = 0;
        loop {
            let mut url = self.url(&["v1", "jobs", &id.to_string()]);
            if wait > 0 {
                url.set_query(Some(&format!("wait={wait}")));
            }
            let answer = self
                .ask(patience, false, || {
                    self.request(Method::GET, url.clone()).timeout(ONE_REQUEST)
                })
                .await?;
            let begun = Instant::now();
            let seen = self.json(answer).await.and_then(|told| self.seen(told))?;
            look(&seen);
            if seen.state.is_end() {
                return Ok(seen);
            }
            // A server that does not hold its answers back is not asked in a tight loop.
            if begun.elapsed() < Duration::from_millis(100) {
                tokio::time::sleep(Duration::from_millis(200)).await;
            }
            patience = self.patience.max(LONG_PATIENCE);
            wait = WAIT_SECONDS;
        }
    }

    /// Stops a job; the job as it is then.
    pub async fn cancel(&self, id: JobId) -> Result<Seen, ClientProblem> {
        let url = self.url(&["v1", "jobs", &id.to_string(), "cancel"]);
        let answer = self
            .ask(self.patience, false, || {
                self.request(Method::POST, url.clone()).timeout(ONE_REQUEST)
            })
            .await?;
        self.json(answer).await.and_then(|told| self.seen(told))
    }

    /// What a job made.
    pub async fn files(&self, id: JobId) -> Result<Vec<JobFile>, ClientProblem> {
        let url = self.url(&["v1", "jobs", &id.to_string(), "files"]);
        let answer = self
            .ask(self.patience, false, || {
                self.request(Method::GET, url.clone()).timeout(ONE_REQUEST)
            })
            .await?;
        let told = self.json(answer).await?;
        serde_json::from_value(told).map_err(|e| self.strange(&e.to_string()))
    }
}

/// Answers after which the same request may succeed: the server is full or starting.
fn is_again(status: StatusCode) -> bool {
    matches!(
        status,
        StatusCode::REQUEST_TIMEOUT
            | StatusCode::TOO_MANY_REQUESTS
            | StatusCode::BAD_GATEWAY
            | StatusCode::SERVICE_UNAVAILABLE
            | StatusCode::GATEWAY_TIMEOUT
    )
}
