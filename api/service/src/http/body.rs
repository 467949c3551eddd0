//! Bodies: read whole, within a size, a time and a share of the server's memory; JSON within a depth.

use super::ApiArc;
use super::problem::{BAD_BODY, Error, OTHER_TYPE, TOO_LARGE, TOO_SLOW, Wrong};
use axum::body::{Body, Bytes};
use axum::extract::Request;
use axum::http::HeaderMap;
use axum::http::header::{ACCEPT, CONTENT_LENGTH, CONTENT_TYPE};
use futures_util::StreamExt;
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::time::Duration;
use tokio::sync::OwnedSemaphorePermit;
use tokio::time::Instant;

/// A body that keeps coming at this rate is waited for, bytes a second.
const LEAST_RATE: f64 = 16.0 * 1024.0;
/// Largest body that is a JSON document of the API itself.
const SMALL: u64 = 256 * 1024;
/// What is read of a body that is too large, so that the caller gets to read the answer.
const READ_ON: usize = 1 << 20;

/// A body in memory, with its share of it.
pub struct Whole {
    /// The bytes.
    pub bytes: Bytes,
    /// Given back when it is dropped.
    pub room: OwnedSemaphorePermit,
}

/// Reads a body of at most `most` bytes.
pub async fn whole(
    api: &ApiArc,
    fields: &HeaderMap,
    body: Body,
    most: u64,
) -> Result<Whole, Error> {
    let length = fields
        .get(CONTENT_LENGTH)
        .and_then(|v| v.to_str().ok()?.parse::<u64>().ok());
    let too_large = || {
        Error::new(
            TOO_LARGE,
            format!("The body has more than the {most} bytes that are taken here."),
        )
    };
    let mut stream = body.into_data_stream();
    if length.is_some_and(|l| l > most) {
        read_on(&mut stream).await;
        return Err(too_large());
    }
    let room = api.permits.room(Some(length.unwrap_or(most))).await?;
    let patience = Duration::from_secs(api.shared.config.limits.read_seconds.max(1));
    let begun = Instant::now();
    let mut bytes = Vec::with_capacity(length.unwrap_or(0).min(1 << 20) as usize);
    loop {
        let longer = Duration::from_secs_f64(bytes.len() as f64 / LEAST_RATE);
        let piece = match tokio::time::timeout_at(begun + patience + longer, stream.next()).await {
            Ok(piece) => piece,
            Err(_) => {
                return Err(Error::new(
                    TOO_SLOW,
                    format!(
                        "{} bytes of the body came within {} s.",
                        bytes.len(),
                        begun.elapsed().as_secs()
                    ),
                )
                .field(axum::http::header::CONNECTION, "close"));
            }
        };
        match piece {
            None => break,
            Some(Ok(piece)) => {
                if (bytes.len() + piece.len()) as u64 > most {
                    read_on(&mut stream).await;
                    return Err(too_large());
                }
                bytes.extend_from_slice(&piece);
            }
            Some(Err(e)) => {
                return Err(Error::new(BAD_BODY, "The body broke off.").cause(e));
            }
        }
    }
    Ok(Whole {
        bytes: bytes.into(),
        room,
    })
}

/// A caller that is still sending when the connection closes may lose the answer: a little more is read first.
async fn read_on(stream: &mut axum::body::BodyDataStream) {
    let mut read = 0;
    let on = async {
        while let Some(Ok(piece)) = stream.next().await {
            read += piece.len();
            if read > READ_ON {
                break;
            }
        }
    };
    let _ = tokio::time::timeout(Duration::from_secs(1), on).await;
}

/// The media type of a request, in small letters and without parameters.
pub fn media(fields: &HeaderMap) -> Option<String> {
    let text = fields.get(CONTENT_TYPE)?.to_str().ok()?;
    let media = text.split(';').next()?.trim().to_ascii_lowercase();
    (!media.is_empty()).then_some(media)
}

/// A body of a type that is not taken here.
pub fn other_type(fields: &HeaderMap, taken: &str) -> Error {
    let detail = match media(fields) {
        Some(media) => format!(
            "A body of type {:?} is not taken here; send {taken}.",
            super::request::shown(&media)
        ),
        None => format!("The body has no Content-Type; send {taken}."),
    };
    Error::new(OTHER_TYPE, detail).field(ACCEPT, taken)
}

/// Reads a small JSON document of the API.
pub async fn json<T: DeserializeOwned>(api: &ApiArc, request: Request) -> Result<T, Error> {
    let (parts, body) = request.into_parts();
    if media(&parts.headers).as_deref() != Some("application/json") {
        return Err(other_type(&parts.headers, "application/json"));
    }
    let most = SMALL.min(api.shared.config.limits.body_mib << 20);
    let whole = whole(api, &parts.headers, body, most).await?;
    read(&whole.bytes, "", api.shared.config.limits.json_depth)
}

/// Reads JSON of limited depth; `at` names where it comes from.
pub fn read<T: DeserializeOwned>(bytes: &[u8], at: &str, depth: u32) -> Result<T, Error> {
    shallow(bytes, at, depth)?;
    serde_json::from_slice(bytes)
        .and_then(fitted)
        .map_err(|e| bad_json(at, &e))
}

/// JSON that cannot be read, or is not of the type that is wanted.
pub fn bad_json(at: &str, e: &serde_json::Error) -> Error {
    let message = super::problem::sentence(&e.to_string());
    Error::new(BAD_BODY, message.clone()).wrong([Wrong::new(at, "bad-json", message)])
}

/// A value as a type of ours. To JSON Schema `2.0` is a whole number, to the reader of types it is not.
pub fn fitted<T: DeserializeOwned>(mut value: Value) -> serde_json::Result<T> {
    whole_numbers(&mut value);
    serde_json::from_value(value)
}

fn whole_numbers(value: &mut Value) {
    match value {
        Value::Number(number) => {
            if let Some(n) = number
                .as_f64()
                .filter(|n| number.is_f64() && n.fract() == 0.0)
                && n.abs() < 9_007_199_254_740_992.0
            {
                *value = Value::from(n as i64);
            }
        }
        Value::Array(all) => all.iter_mut().for_each(whole_numbers),
        Value::Object(map) => map.values_mut().for_each(whole_numbers),
        _ => {}
    }
}

/// Refuses JSON whose brackets go deeper than `most`, before anything reads it.
pub fn shallow(bytes: &[u8], at: &str, most: u32) -> Result<(), Error> {
    match deepest(bytes) > most {
        false => Ok(()),
        true => {
            let message = format!("The JSON goes deeper than the {most} levels that are read.");
            Err(Error::new(BAD_BODY, message.clone())
                .wrong([Wrong::new(at, "too-deep", message).remedy("Nest less.")]))
        }
    }
}

/// How deep brackets go, whether the text is JSON or not. Those within strings do not count.
fn deepest(bytes: &[u8]) -> u32 {
    let (mut depth, mut deepest) = (0_u32, 0);
    let (mut within, mut escaped) = (false, false);
    for byte in bytes {
        match (within, byte) {
            (true, _) if escaped => escaped = false,
            (true, b'\\') => escaped = true,
            (true, b'"') => within = false,
            (false, b'"') => within = true,
            (false, b'[' | b'{') => {
                depth += 1;
                deepest = deepest.max(depth);
            }
            (false, b']' | b'}') => depth = depth.saturating_sub(1),
            _ => {}
        }
    }
    deepest
}

#[cfg(test)]
mod tests {
    use super::deepest;

    #[test]
    fn brackets_within_strings_do_not_count() {
        for (text, depth) in [
            ("7", 0),
            ("[]", 1),
            (r#"{"a":[1,{"b":2}],"c":[]}"#, 3),
            (r#"["[[[[","\"[[[","\\",[[]]]"#, 3),
            ("]]]][[", 2),
            (r#""[["#, 0),
        ] {
            assert_eq!(deepest(text.as_bytes()), depth, "{text}");
        }
    }
}
