//! What a request says beside its body: query parameters, conditional headers, the wanted media type. Unknown parameters are refused.

use super::Api;
use super::limits::Permit;
use super::problem::{BAD_PARAMETER, Error, NOT_FOUND, OTHER_VERSION, Wrong, sentence};
use super::route::{At, Route};
use crate::model::{Job, JobId, Millis};
use axum::extract::FromRequestParts;
use axum::http::header::{ACCEPT, IF_MATCH, IF_NONE_MATCH};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, Uri};
use grainway_pipeline::chain::nearest;
use schemars::JsonSchema;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fmt::Display;
use std::str::FromStr;

/// Longest batch word.
pub(super) const LONGEST_BATCH: usize = 80;

/// Who asks.
#[derive(Clone, Debug)]
pub struct Caller {
    /// The token's id; absent while there are no tokens.
    pub token: Option<String>,
}

impl Caller {
    /// A word for keys: those of different callers do not meet.
    pub fn word(&self) -> String {
        self.token.clone().unwrap_or_else(|| "-".to_string())
    }
}

/// A request without its body.
pub struct Asked {
    /// Who asks.
    pub caller: Caller,
    /// Its header fields.
    pub fields: HeaderMap,
    /// It is HEAD.
    pub head: bool,
    /// Its permit among the requests at work.
    pub permit: Permit,
    query: BTreeMap<String, String>,
    wrong: Vec<Wrong>,
}

/// Reads the query of a route. Every parameter comes once, and only those that the route has.
pub(super) fn query(uri: &Uri, route: Option<&Route>) -> Result<BTreeMap<String, String>, Error> {
    let mut values = BTreeMap::new();
    let mut wrong = Vec::new();
    let known: Vec<&str> = route
        .into_iter()
        .flat_map(|r| r.parameters)
        .filter(|p| p.at == At::Query)
        .map(|p| p.name)
        .collect();
    let text = uri.query().unwrap_or_default();
    for (name, value) in url::form_urlencoded::parse(text.as_bytes()) {
        let name = name.into_owned();
        if !known.contains(&name.as_str()) {
            let remedy = match (nearest(&name, known.iter().copied()), known.is_empty()) {
                (Some(near), _) => format!("Did you mean \"{near}\"?"),
                (None, true) => "This address takes none.".to_string(),
                (None, false) => format!("There are {}.", known.join(", ")),
            };
            let message = format!("There is no parameter {name:?}.");
            wrong.push(Wrong::new(name, "unknown-parameter", message).remedy(remedy));
        } else if values.insert(name.clone(), value.into_owned()).is_some() {
            wrong.push(
                Wrong::new(name, "twice", "The parameter comes more than once.")
                    .remedy("Give it once."),
            );
        }
    }
    match wrong.is_empty() {
        true => Ok(values),
        false => Err(parameters(wrong)),
    }
}

fn parameters(wrong: Vec<Wrong>) -> Error {
    let detail = match wrong.as_slice() {
        [one] => one.message.clone(),
        all => format!("{} parameters are wrong.", all.len()),
    };
    Error::new(BAD_PARAMETER, detail).wrong(wrong)
}

impl FromRequestParts<super::ApiArc> for Asked {
    type Rejection = Error;

    async fn from_request_parts(parts: &mut Parts, _: &super::ApiArc) -> Result<Asked, Error> {
        let missing = || {
            Error::new(
                super::problem::FAILED,
                "The request was not seen at the door.",
            )
        };
        let route = parts.extensions.get::<&'static Route>().copied();
        Ok(Asked {
            caller: parts
                .extensions
                .get::<Caller>()
                .cloned()
                .ok_or_else(missing)?,
            permit: parts
                .extensions
                .get::<Permit>()
                .cloned()
                .ok_or_else(missing)?,
            fields: parts.headers.clone(),
            head: parts.method == axum::http::Method::HEAD,
            query: query(&parts.uri, route)?,
            wrong: Vec::new(),
        })
    }
}

impl Asked {
    /// A parameter. One that cannot be read counts as absent until [`Asked::sound`] is asked.
    pub fn value<T: FromStr>(&mut self, name: &str, wanted: &str) -> Option<T> {
        let text = self.query.get(name)?;
        let read = text.parse().ok();
        if read.is_none() {
            let message = format!("{:?} is not {wanted}.", shown(text));
            self.wrong.push(Wrong::new(name, "bad-value", message));
        }
        read
    }

    /// A number between two others.
    pub fn number(&mut self, name: &str, least: i64, most: i64) -> Option<i64> {
        let wanted = format!("a whole number from {least} to {most}");
        let number = self.value::<i64>(name, &wanted)?;
        if !(least..=most).contains(&number) {
            self.wrong.push(Wrong::new(
                name,
                "bad-value",
                format!("{number} is not {wanted}."),
            ));
            return None;
        }
        Some(number)
    }

    /// Words between commas.
    pub fn list<T: FromStr<Err: Display>>(&mut self, name: &str) -> Vec<T> {
        let Some(text) = self.query.get(name) else {
            return Vec::new();
        };
        let mut read = Vec::new();
        for word in text.split(',') {
            match word.parse() {
                Ok(value) => read.push(value),
                Err(e) => {
                    let message = sentence(&format!("{:?}: {e}", shown(word)));
                    self.wrong.push(Wrong::new(name, "bad-value", message));
                }
            }
        }
        read
    }

    /// Yes or no; no when not said.
    pub fn flag(&mut self, name: &str) -> Option<bool> {
        self.value(name, "true or false")
    }

    /// A text of up to so many characters.
    pub fn text(&mut self, name: &str, most: usize) -> Option<String> {
        let text = self.query.get(name)?.clone();
        if text.is_empty() || text.chars().count() > most || text.chars().any(char::is_control) {
            let message = format!("It has not 1 to {most} characters on one line.");
            self.wrong.push(Wrong::new(name, "bad-value", message));
            return None;
        }
        Some(text)
    }

    /// Notes something wrong with what was read.
    pub fn complain(&mut self, wrong: Wrong) {
        self.wrong.push(wrong);
    }

    /// Nothing was wrong with any parameter.
    pub fn sound(&mut self) -> Result<(), Error> {
        match self.wrong.is_empty() {
            true => Ok(()),
            false => Err(parameters(std::mem::take(&mut self.wrong))),
        }
    }

    /// A header field as text.
    pub fn field(&self, name: &HeaderName) -> Option<&str> {
        self.fields.get(name)?.to_str().ok()
    }

    /// The form that is wanted: the parameter `as`, else the field `Accept`, else the first of those there are.
    pub fn form(&mut self, forms: &[(&'static str, &'static str)]) -> &'static str {
        let first = forms.first().map_or("", |f| f.0);
        if let Some(word) = self.query.get("as") {
            return match forms.iter().find(|f| f.0 == word) {
                Some(form) => form.0,
                None => {
                    let words: Vec<&str> = forms.iter().map(|f| f.0).collect();
                    let message = format!("{:?} is not one of {}.", shown(word), words.join(", "));
                    self.wrong.push(Wrong::new("as", "bad-value", message));
                    first
                }
            };
        }
        let accept = self.field(&ACCEPT).unwrap_or("*/*").to_string();
        let mut best = (first, 0.0);
        for (word, media) in forms {
            let quality = quality(&accept, media);
            if quality > best.1 {
                best = (*word, quality);
            }
        }
        best.0
    }

    /// The version that `If-Match` names; `None` when any will do.
    pub async fn if_match(&self, api: &Api, id: JobId) -> Result<Option<i64>, Error> {
        let Some(text) = self.field(&IF_MATCH) else {
            return Ok(None);
        };
        if text.trim() == "*" {
            return Ok(None);
        }
        let versions: Vec<i64> = tags(text)
            .filter_map(|t| t.strip_prefix('"')?.strip_suffix('"')?.parse().ok())
            .collect();
        match versions.as_slice() {
            [one] => Ok(Some(*one)),
            several => {
                let job = job(api, id).await?;
                match several.contains(&job.version) {
                    true => Ok(Some(job.version)),
                    false => Err(other_version(&job)),
                }
            }
        }
    }

    /// What the caller has already is what there is.
    pub fn has(&self, tag: &str) -> bool {
        self.field(&IF_NONE_MATCH).is_some_and(|text| {
            text.trim() == "*" || tags(text).any(|t| t.strip_prefix("W/").unwrap_or(t) == tag)
        })
    }
}

/// The job of an address.
pub(super) async fn job(api: &Api, id: JobId) -> Result<Job, Error> {
    match api.shared.store.job(id).await? {
        Some(job) => Ok(job),
        None => Err(Error::new(NOT_FOUND, format!("There is no job {id}."))),
    }
}

/// The id of an address: what is no id belongs to no job.
pub(super) fn job_id(text: &str) -> Result<JobId, Error> {
    text.parse()
        .map_err(|_| Error::new(NOT_FOUND, format!("There is no job {:?}.", shown(text))))
}

/// A job's entity tag.
pub(super) fn tag(job: &Job) -> String {
    format!("\"{}\"", job.version)
}

/// The job is not as the caller saw it.
pub(super) fn other_version(job: &Job) -> Error {
    Error::new(
        OTHER_VERSION,
        format!(
            "The job has version {} now and is {}.",
            job.version, job.state
        ),
    )
    .field(axum::http::header::ETAG, &tag(job))
}

fn tags(text: &str) -> impl Iterator<Item = &str> {
    text.split(',').map(str::trim).filter(|t| !t.is_empty())
}

/// How much `Accept` wants a media type: the most specific range decides (RFC 9110, 12.5.1).
fn quality(accept: &str, media: &str) -> f64 {
    let kind = media.split('/').next().unwrap_or_default();
    let mut best = (0, 0.0);
    for range in accept.split(',') {
        let mut parts = range.split(';').map(str::trim);
        let name = parts.next().unwrap_or_default().to_ascii_lowercase();
        let rank = match name.as_str() {
            n if n == media => 3,
            n if n.strip_suffix("/*") == Some(kind) => 2,
            "*/*" => 1,
            _ => 0,
        };
        let quality = parts
            .find_map(|p| p.strip_prefix("q=")?.trim().parse::<f64>().ok())
            .unwrap_or(1.0);
        if rank > best.0 {
            best = (rank, quality);
        }
    }
    best.1
}

/// What a caller wrote, short enough for a sentence.
pub(super) fn shown(text: &str) -> String {
    match text.char_indices().nth(60) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_string(),
    }
}

/// A moment as callers write it: RFC 3339, or milliseconds since 1970.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(try_from = "MomentText")]
pub struct Moment(pub Millis);

/// A moment: "2026-11-26T06:00:00+01:00", or milliseconds since 1970.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(untagged)]
enum MomentText {
    /// Milliseconds since 1970.
    Number(#[schemars(range(min = 0, max = 253402207200999_i64))] i64),
    /// RFC 3339.
    Text(#[schemars(extend("format" = "date-time"))] String),
}

impl TryFrom<MomentText> for Moment {
    type Error = NoMoment;

    fn try_from(text: MomentText) -> Result<Moment, NoMoment> {
        match text {
            MomentText::Number(n) => n.to_string().parse(),
            MomentText::Text(t) => t.parse(),
        }
    }
}

/// A text that is no moment.
#[derive(Debug, thiserror::Error)]
#[error("it is neither a time as 2026-11-26T06:00:00+01:00 nor milliseconds since 1970")]
pub struct NoMoment;

impl FromStr for Moment {
    type Err = NoMoment;

    fn from_str(text: &str) -> Result<Moment, NoMoment> {
        let last = jiff::Timestamp::MAX.as_millisecond();
        match text.parse::<i64>() {
            Ok(millis) if (0..=last).contains(&millis) => Ok(Moment(millis)),
            Ok(_) => Err(NoMoment),
            // A time long ago holds nobody up, and one after the last that can be shown is as far away as that.
            Err(_) => rfc_3339(text)
                .map(|millis| Moment(millis.clamp(0, last)))
                .ok_or(NoMoment),
        }
    }
}

/// Milliseconds since 1970.
fn rfc_3339(text: &str) -> Option<Millis> {
    let pieces = jiff::fmt::temporal::DateTimeParser::new()
        .parse_pieces(text)
        .ok()?;
    let offset = i64::from(pieces.to_numeric_offset()?.seconds());
    let local = pieces.date().to_datetime(pieces.time()?);
    let since = local.duration_since(jiff::civil::date(1970, 1, 1).at(0, 0, 0, 0));
    Some(i64::try_from(since.as_millis()).ok()? - offset * 1000)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_those_of_rfc_3339() {
        // The examples of RFC 3339, section 5.8; seconds since 1970 by GNU date.
        for (text, millis) in [
            ("1985-04-12T23:20:50.52Z", 482_196_050_520),
            ("1996-12-19T16:39:57-08:00", 851_042_397_000),
            ("1937-01-01T12:00:27.87+00:20", 0),
            ("2026-11-26t06:00:00z", 1_795_672_800_000),
            ("1795672800000", 1_795_672_800_000),
            ("0", 0),
            (
                "9999-12-31T23:59:59Z",
                jiff::Timestamp::MAX.as_millisecond(),
            ),
        ] {
            assert_eq!(text.parse::<Moment>().unwrap().0, millis, "{text}");
        }
        for text in [
            "",
            "-1",
            "2026-11-26",
            "2026-11-26T06:00:00",
            "06:00",
            "tomorrow",
            "99999999999999999",
        ] {
            assert!(text.parse::<Moment>().is_err(), "{text}");
        }
    }

    #[test]
    fn the_form_that_is_wanted_most_is_given() {
        for (accept, csv) in [
            ("*/*", false),
            ("text/csv", true),
            ("text/*", true),
            ("application/json, text/csv", false),
            ("application/json;q=0.5, text/csv;q=0.8", true),
            ("text/csv;q=0.1, */*;q=0.2", false),
            ("text/html", false),
            ("TEXT/CSV", true),
        ] {
            let more = quality(accept, "text/csv") > quality(accept, "application/json");
            assert_eq!(more, csv, "{accept}");
        }
    }
}
