//! The one way by which requests leave this machine for addresses that somebody else chose.
//!
//! A name is resolved once and the connection goes to the addresses that were vetted then, so nothing can change in between. No
//! redirect is followed and no proxy is asked. Private addresses are reached only where the operator allows the host and port, and
//! only there may a request go without TLS.

mod addresses;
#[cfg(test)]
mod tests;

pub use addresses::is_public;

use bytes::Bytes;
use futures_util::future::BoxFuture;
use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use reqwest::header::HeaderMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;
use url::{Host, Url};

/// Longest time until a connection stands.
const CONNECT: Duration = Duration::from_secs(10);
/// Longest time for a whole exchange.
const TOTAL: Duration = Duration::from_secs(30);
/// So much of an answer is read.
pub const ANSWER_BYTES: usize = 64 * 1024;

/// Why a request did not get an answer.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum OutgoingProblem {
    /// It is no URL that requests can go to.
    #[error("{url:?} is not an address for requests: {why}")]
    Url {
        /// What was given.
        url: String,
        /// What is wrong with it.
        why: String,
    },
    /// The host is or resolves to addresses of a private network, and the operator has not allowed it.
    #[error(
        "{target} leads into a private network; whoever runs this server can allow it by adding \"{target}\" to webhook-private-targets"
    )]
    Private {
        /// Host and port.
        target: String,
    },
    /// The machine has no root certificates.
    #[error(
        "this machine trusts no certificates, so nothing can be sent over https; install its root certificates"
    )]
    NoRoots,
    /// The other side did not answer in time.
    #[error("{target} did not answer in time")]
    Late {
        /// Host and port.
        target: String,
    },
    /// The name is unknown, nobody listens, the connection broke, or its certificate is wrong.
    #[error("{target} cannot be reached: {why}")]
    Away {
        /// Host and port.
        target: String,
        /// The innermost reason.
        why: String,
    },
    /// The client itself could not be made.
    #[error("requests cannot be sent from this machine: {0}")]
    Client(String),
}

/// An answer.
#[derive(Clone, Debug)]
pub struct Answer {
    /// Its status.
    pub status: u16,
    /// Its header fields.
    pub headers: HeaderMap,
    /// Its body, at most [`ANSWER_BYTES`] of it.
    pub body: Vec<u8>,
}

/// Looks names up.
pub trait Lookup: Send + Sync + 'static {
    /// All addresses of a name.
    fn look_up(&self, name: String) -> BoxFuture<'static, std::io::Result<Vec<IpAddr>>>;
}

/// The machine's own resolver.
struct System;

impl Lookup for System {
    fn look_up(&self, name: String) -> BoxFuture<'static, std::io::Result<Vec<IpAddr>>> {
        Box::pin(async move {
            let found = tokio::net::lookup_host((name, 0)).await?;
            Ok(found.map(|a| a.ip()).collect())
        })
    }
}

/// Host and port of a target.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Target {
    host: Host<String>,
    port: u16,
}

impl std::fmt::Display for Target {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}:{}", self.host, self.port)
    }
}

/// Resolves names and lets vetted addresses through. With no rule, all.
struct Vetting {
    lookup: Arc<dyn Lookup>,
    rule: Option<Rule>,
}

type Rule = fn(IpAddr) -> bool;

/// All addresses of a name were refused.
#[derive(Debug, thiserror::Error)]
#[error("all its addresses are private")]
struct AllPrivate;

impl Resolve for Vetting {
    fn resolve(&self, name: Name) -> Resolving {
        let found = self.lookup.look_up(name.as_str().to_string());
        let rule = self.rule;
        Box::pin(async move {
            let found = found.await?;
            let any = !found.is_empty();
            let vetted: Vec<SocketAddr> = found
                .into_iter()
                .filter(|address| rule.is_none_or(|rule| rule(*address)))
                .map(|address| SocketAddr::new(address, 0))
                .collect();
            if any && vetted.is_empty() {
                return Err(AllPrivate.into());
            }
            Ok(Box::new(vetted.into_iter()) as Addrs)
        })
    }
}

/// Knows from a URL alone where requests may go. Cheap to clone.
#[derive(Clone)]
pub struct Guard {
    allowed: Arc<[Target]>,
    rule: Rule,
}

/// The guarded client. Cheap to clone.
#[derive(Clone)]
pub struct Outgoing {
    /// For everybody's targets.
    guarded: reqwest::Client,
    /// For the operator's own; its connections are never shared with the other.
    open: reqwest::Client,
    guard: Guard,
    has_roots: bool,
}

impl Guard {
    /// Lets through public addresses and these `host:port`s.
    pub fn new(private_targets: &[String]) -> Result<Guard, OutgoingProblem> {
        let allowed = private_targets.iter().map(|t| private_target(t));
        Ok(Guard {
            allowed: allowed.collect::<Result<_, _>>()?,
            rule: is_public,
        })
    }

    /// Whether requests may go to this URL, as far as the URL tells; names are vetted when they are resolved.
    pub fn check(&self, url: &str) -> Result<Url, OutgoingProblem> {
        self.route(url).map(|(url, _)| url)
    }

    fn route(&self, text: &str) -> Result<(Url, bool), OutgoingProblem> {
        let wrong = |url: String, why: &str| OutgoingProblem::Url {
            url,
            why: why.to_string(),
        };
        let url = Url::parse(text)
            .map_err(|e| wrong(text.chars().take(200).collect(), &e.to_string()))?;
        let refused = |why: &str| wrong(shown(&url), why);
        if !matches!(url.scheme(), "http" | "https") {
            return Err(refused("it does not begin with https://"));
        }
        if !url.username().is_empty() || url.password().is_some() {
            return Err(refused("names and passwords do not belong into it"));
        }
        let target = target_of(&url).ok_or_else(|| refused("it names no host"))?;
        if self.allowed.contains(&target) {
            return Ok((url, true));
        }
        let literal = match &target.host {
            Host::Domain(_) => None,
            Host::Ipv4(v4) => Some(IpAddr::V4(*v4)),
            Host::Ipv6(v6) => Some(IpAddr::V6(*v6)),
        };
        if literal.is_some_and(|address| !(self.rule)(address)) {
            return Err(OutgoingProblem::Private {
                target: target.to_string(),
            });
        }
        if url.scheme() != "https" {
            return Err(refused("it must begin with https://"));
        }
        Ok((url, false))
    }
}

impl Outgoing {
    /// A client that reaches public addresses and these `host:port`s.
    pub fn new(private_targets: &[String]) -> Result<Outgoing, OutgoingProblem> {
        Outgoing::with(private_targets, Arc::new(System), is_public, TOTAL)
    }

    fn with(
        private_targets: &[String],
        lookup: Arc<dyn Lookup>,
        rule: Rule,
        total: Duration,
    ) -> Result<Outgoing, OutgoingProblem> {
        use_ring();
        let guard = Guard {
            rule,
            ..Guard::new(private_targets)?
        };
        let build = |rule: Option<Rule>, roots: bool| {
            let lookup = Arc::clone(&lookup);
            let builder = reqwest::Client::builder()
                .redirect(reqwest::redirect::Policy::none())
                .no_proxy()
                .retry(reqwest::retry::never())
                .referer(false)
                .connect_timeout(CONNECT.min(total))
                .timeout(total)
                .pool_idle_timeout(Duration::from_secs(30))
                .pool_max_idle_per_host(2)
                .user_agent(concat!("grainway/", env!("CARGO_PKG_VERSION")))
                .dns_resolver(Vetting { lookup, rule });
            match roots {
                true => builder.build(),
                false => builder.tls_certs_only([]).build(),
            }
        };
        // Without certificates on the machine the client cannot be built, though the operator's own targets may need none.
        let has_roots = build(None, true).is_ok();
        let made =
            |rule| build(rule, has_roots).map_err(|e| OutgoingProblem::Client(innermost(&e)));
        Ok(Outgoing {
            guarded: made(Some(rule))?,
            open: made(None)?,
            guard,
            has_roots,
        })
    }

    /// Whether the machine trusts any certificates: without, nothing goes over https.
    pub fn has_roots(&self) -> bool {
        self.has_roots
    }

    /// Sends a body and reads what is answered. Every status is an answer, a redirect too.
    pub async fn post(
        &self,
        url: &str,
        headers: HeaderMap,
        body: Bytes,
    ) -> Result<Answer, OutgoingProblem> {
        let (url, open) = self.guard.route(url)?;
        let target = target_of(&url).map(|t| t.to_string()).unwrap_or_default();
        if url.scheme() == "https" && !self.has_roots {
            return Err(OutgoingProblem::NoRoots);
        }
        let client = if open { &self.open } else { &self.guarded };
        let told = |e: reqwest::Error| problem(&e, &target);
        let mut response = client
            .post(url)
            .headers(headers)
            .body(body)
            .send()
            .await
            .map_err(told)?;
        let mut read = Vec::new();
        // What comes after the first part, and whether it comes at all, changes nothing: the status has been said.
        while let Ok(Some(chunk)) = response.chunk().await {
            let room = ANSWER_BYTES - read.len();
            read.extend_from_slice(&chunk[..chunk.len().min(room)]);
            if read.len() == ANSWER_BYTES {
                break;
            }
        }
        Ok(Answer {
            status: response.status().as_u16(),
            headers: std::mem::take(response.headers_mut()),
            body: read,
        })
    }
}

/// Chooses the cryptography for TLS, once for the process.
pub fn use_ring() {
    // An error says that it was chosen before.
    let _ = rustls::crypto::ring::default_provider().install_default();
}

/// An address without what may be a secret: receivers often know their senders by a word in it.
fn shown(url: &Url) -> String {
    let host = url.host_str().unwrap_or_default();
    let port = url.port().map(|p| format!(":{p}")).unwrap_or_default();
    format!("{}://{host}{port}", url.scheme())
}

fn target_of(url: &Url) -> Option<Target> {
    Some(Target {
        host: url.host()?.to_owned(),
        port: url.port_or_known_default()?,
    })
}

/// Reads one of the operator's `host:port`s.
fn private_target(text: &str) -> Result<Target, OutgoingProblem> {
    let wrong = || OutgoingProblem::Url {
        url: text.to_string(),
        why: "webhook-private-targets wants host:port, such as 192.168.1.20:8080".to_string(),
    };
    let port = text
        .rsplit_once(':')
        .and_then(|(_, port)| port.parse::<u16>().ok())
        .ok_or_else(wrong)?;
    let url = Url::parse(&format!("http://{text}")).map_err(|_| wrong())?;
    let target = target_of(&url).ok_or_else(wrong)?;
    let plain = url.path() == "/" && url.query().is_none() && url.username().is_empty();
    match plain && target.port == port {
        true => Ok(target),
        false => Err(wrong()),
    }
}

fn problem(error: &reqwest::Error, target: &str) -> OutgoingProblem {
    let mut source: Option<&(dyn std::error::Error + 'static)> = Some(error);
    while let Some(one) = source {
        if one.is::<AllPrivate>() {
            return OutgoingProblem::Private {
                target: target.to_string(),
            };
        }
        source = one.source();
    }
    let target = target.to_string();
    match error.is_timeout() {
        true => OutgoingProblem::Late { target },
        false => OutgoingProblem::Away {
            target,
            why: innermost(error),
        },
    }
}

/// The innermost reason, which says most.
pub(crate) fn innermost(error: &(dyn std::error::Error + 'static)) -> String {
    let mut inner = error;
    while let Some(next) = inner.source() {
        inner = next;
    }
    inner.to_string()
}
