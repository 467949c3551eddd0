//! Secrets and signatures as the Standard Webhooks specification wants them: HMAC-SHA256 over `id.timestamp.body`.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit, Mac};
use reqwest::header::{CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue};
use sha2::Sha256;
use std::fmt;

/// How secrets begin.
const PREFIX: &str = "whsec_";
/// Bytes of a fresh secret; the specification asks for 24 to 64.
const FRESH_BYTES: usize = 32;

/// A secret that the receiver and this server know. It is not shown by `{:?}`.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(Vec<u8>);

/// A text that is no secret.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a secret is whsec_ and the base64 of 24 to 64 bytes")]
pub struct NoSecret;

impl Secret {
    /// A fresh one.
    pub fn fresh() -> Result<Secret, getrandom::Error> {
        let mut bytes = vec![0; FRESH_BYTES];
        getrandom::fill(&mut bytes)?;
        Ok(Secret(bytes))
    }

    /// Reads `whsec_…`.
    pub fn read(text: &str) -> Result<Secret, NoSecret> {
        let bytes = text
            .strip_prefix(PREFIX)
            .and_then(|t| STANDARD.decode(t).ok())
            .ok_or(NoSecret)?;
        match (24..=64).contains(&bytes.len()) {
            true => Ok(Secret(bytes)),
            false => Err(NoSecret),
        }
    }

    /// Its text, `whsec_…`: for its owner and the store alone.
    pub fn reveal(&self) -> String {
        format!("{PREFIX}{}", STANDARD.encode(&self.0))
    }

    /// The signature of a message: `v1,` and base64. `seconds` counts from 1970.
    pub fn sign(&self, id: &str, seconds: i64, body: &[u8]) -> String {
        // HMAC takes keys of any length, so this never fails; an empty signature would verify nowhere.
        let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(&self.0) else {
            return String::new();
        };
        mac.update(format!("{id}.{seconds}.").as_bytes());
        mac.update(body);
        format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes()))
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret")
    }
}

/// The header fields of a message, signed with each of the secrets: during a rotation there are two, and either serves.
pub fn headers(id: &str, seconds: i64, body: &[u8], secrets: &[Secret]) -> HeaderMap {
    let signatures: Vec<String> = secrets.iter().map(|s| s.sign(id, seconds, body)).collect();
    let mut fields = HeaderMap::new();
    fields.insert(CONTENT_TYPE, HeaderValue::from_static("application/json"));
    for (name, value) in [
        ("webhook-id", id.to_string()),
        ("webhook-timestamp", seconds.to_string()),
        ("webhook-signature", signatures.join(" ")),
    ] {
        if let Ok(value) = HeaderValue::from_str(&value) {
            fields.insert(HeaderName::from_static(name), value);
        }
    }
    fields
}

#[cfg(test)]
mod tests {
    use super::*;

    // The specification's example, from memory; that its reference library signs the same is checked in api/service/tests/service/hooks.rs.
    const EXAMPLE_SECRET: &str = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw";
    const EXAMPLE_ID: &str = "msg_p5jXN8AQM9LWM0D4loKWxJek";
    const EXAMPLE_SIGNATURE: &str = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=";

    #[test]
    fn the_example_of_the_specification_comes_out() {
        let secret = Secret::read(EXAMPLE_SECRET).unwrap();
        let body = br#"{"test": 2432232314}"#;
        assert_eq!(
            secret.sign(EXAMPLE_ID, 1_614_265_330, body),
            EXAMPLE_SIGNATURE
        );
        let two = [Secret::fresh().unwrap(), secret];
        let fields = headers(EXAMPLE_ID, 1_614_265_330, body, &two);
        let signatures: Vec<&str> = fields["webhook-signature"]
            .to_str()
            .unwrap()
            .split(' ')
            .collect();
        assert_eq!(signatures.len(), 2);
        assert_ne!(signatures[0], EXAMPLE_SIGNATURE);
        assert_eq!(signatures[1], EXAMPLE_SIGNATURE);
        assert_eq!(fields["webhook-timestamp"], "1614265330");
        assert_eq!(fields["webhook-id"], EXAMPLE_ID);
    }

    #[test]
    fn secrets_are_read_back_and_never_shown() {
        let secret = Secret::fresh().unwrap();
        assert_eq!(Secret::read(&secret.reveal()), Ok(secret.clone()));
        assert_ne!(Secret::fresh().unwrap(), secret);
        assert_eq!(format!("{secret:?}"), "Secret");
        let short = format!("whsec_{}", STANDARD.encode([1; 23]));
        let long = format!("whsec_{}", STANDARD.encode([1; 65]));
        for wrong in [
            "",
            "whsec_",
            "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
            "whsec_!!!!",
            &short,
            &long,
        ] {
            assert_eq!(Secret::read(wrong), Err(NoSecret), "{wrong}");
        }
    }
}
