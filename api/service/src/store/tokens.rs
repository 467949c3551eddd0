//! Tokens: who may ask what of the service. A token's text is shown once, when it is made; the store keeps the SHA-256 of its secret.

use super::{Result, Store, StoreProblem, StoreUrl};
use crate::model::{Millis, NotOne};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use sqlx::Row;
use std::fmt;
use std::str::FromStr;
use subtle::ConstantTimeEq;

/// How every token begins, so that one that lies about somewhere is recognised.
const PREFIX: &str = "grainway";
/// Bytes of a secret.
const SECRET_BYTES: usize = 32;
/// Longest name of a token.
const LONGEST_NAME: usize = 80;
/// Most tokens of a server: all are looked at with every request.
pub const MOST_TOKENS: usize = 1000;

/// What a token may do. Each may do what those before it may.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Scope {
    /// Look at jobs and fetch files.
    Read,
    /// Hand jobs in, stop them, put them back.
    Submit,
    /// Make and remove tokens and webhooks.
    Admin,
}

impl Scope {
    /// All, the least first.
    pub const ALL: [Scope; 3] = [Scope::Read, Scope::Submit, Scope::Admin];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Scope::Read => "read",
            Scope::Submit => "submit",
            Scope::Admin => "admin",
        }
    }
}

impl fmt::Display for Scope {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl FromStr for Scope {
    type Err = NotOne;

    fn from_str(text: &str) -> std::result::Result<Scope, NotOne> {
        Scope::ALL
            .into_iter()
            .find(|s| s.word() == text)
            .ok_or(NotOne { what: "scope" })
    }
}

/// A token as its owner sees it later. Times are milliseconds since 1970.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Token {
    /// Its id, which is no secret.
    pub id: String,
    /// Who or what uses it.
    pub name: String,
    /// What it may do.
    pub scope: Scope,
    /// When it was made.
    pub created: Millis,
    /// When it was used last, within a minute or so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_used: Option<Millis>,
}

/// A token with what the store knows of its secret.
#[derive(Clone)]
pub struct StoredToken {
    /// The token.
    pub token: Token,
    sha256: [u8; 32],
}

/// A fresh token and its text.
#[derive(Clone)]
pub struct FreshToken {
    /// The token to be stored.
    pub stored: StoredToken,
    /// What its owner sends: it is not kept anywhere.
    pub text: String,
}

impl StoredToken {
    /// The text is this token's. It takes the same time wherever the difference is.
    pub fn is(&self, given: &GivenToken<'_>) -> bool {
        self.token.id == given.id && bool::from(self.sha256.ct_eq(&given.sha256))
    }
}

/// Why no token was made.
#[derive(Debug, thiserror::Error)]
pub enum TokenProblem {
    /// Its name.
    #[error("a token's name has 1 to {LONGEST_NAME} characters on one line")]
    Name,
    /// There are enough.
    #[error("there are {MOST_TOKENS} tokens already; remove one first")]
    Many,
    /// The system.
    #[error("no random numbers can be had: {0}")]
    Random(getrandom::Error),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreProblem),
}

/// A token's text as somebody sent it.
pub struct GivenToken<'t> {
    id: &'t str,
    sha256: [u8; 32],
}

impl<'t> GivenToken<'t> {
    /// Reads `grainway_ID_SECRET`.
    pub fn read(text: &'t str) -> Option<GivenToken<'t>> {
        let (id, secret) = text
            .strip_prefix(PREFIX)?
            .strip_prefix('_')?
            .split_once('_')?;
        let secret = URL_SAFE_NO_PAD.decode(secret).ok()?;
        (secret.len() == SECRET_BYTES).then(|| GivenToken {
            id,
            sha256: Sha256::digest(&secret).into(),
        })
    }
}

impl FreshToken {
    fn new(
        name: &str,
        scope: Scope,
        now: Millis,
    ) -> std::result::Result<FreshToken, getrandom::Error> {
        let mut bytes = [0; SECRET_BYTES + 6];
        getrandom::fill(&mut bytes)?;
        let (id, secret) = bytes.split_at(6);
        let id: String = id.iter().map(|b| format!("{b:02x}")).collect();
        Ok(FreshToken {
            text: format!("{PREFIX}_{id}_{}", URL_SAFE_NO_PAD.encode(secret)),
            stored: StoredToken {
                token: Token {
                    id,
                    name: name.to_string(),
                    scope,
                    created: now,
                    last_used: None,
                },
                sha256: Sha256::digest(secret).into(),
            },
        })
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn unhex(text: &str) -> Option<[u8; 32]> {
    let mut bytes = [0; 32];
    if text.len() != 64 || !text.is_ascii() {
        return None;
    }
    for (i, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(text.get(2 * i..2 * i + 2)?, 16).ok()?;
    }
    Some(bytes)
}

impl Store {
    /// Opens the store for a small change while a server may have it open. Tables that are not there yet or old need it alone.
    pub async fn open_beside(url: &StoreUrl) -> Result<Store> {
        if matches!(url, StoreUrl::Sqlite(path) if !path.exists()) {
            return Store::open(url).await;
        }
        let (found, known) = Store::format(url).await?;
        match found == known {
            true => super::open::beside(url).await,
            false => Store::open(url).await,
        }
    }

    /// All tokens, oldest first.
    pub async fn tokens(&self) -> Result<Vec<StoredToken>> {
        self.call("tokens", async {
            let rows = sqlx::query(
                "SELECT id, name, scope, sha256, created, last_used FROM token ORDER BY created, id",
            )
            .fetch_all(&self.inner.read)
            .await?;
            rows.iter()
                .map(|row| {
                    let sha256: String = row.try_get("sha256")?;
                    Ok(StoredToken {
                        token: Token {
                            id: row.try_get("id")?,
                            name: row.try_get("name")?,
                            scope: super::rows::parsed(&row.try_get::<String, _>("scope")?)?,
                            created: row.try_get("created")?,
                            last_used: row.try_get("last_used")?,
                        },
                        sha256: unhex(&sha256).ok_or_else(|| {
                            StoreProblem::Failed("a row of the tokens is damaged".to_string())
                        })?,
                    })
                })
                .collect()
        })
        .await
    }

    /// Makes one and keeps what is needed to know it again.
    pub async fn make_token(
        &self,
        name: &str,
        scope: Scope,
        now: Millis,
    ) -> std::result::Result<FreshToken, TokenProblem> {
        let length = name.chars().count();
        if !(1..=LONGEST_NAME).contains(&length) || name.chars().any(char::is_control) {
            return Err(TokenProblem::Name);
        }
        let fresh = FreshToken::new(name, scope, now).map_err(TokenProblem::Random)?;
        match self.add_token(&fresh.stored).await? {
            true => Ok(fresh),
            false => Err(TokenProblem::Many),
        }
    }

    /// Adds one. `false`: there are [`MOST_TOKENS`] already.
    async fn add_token(&self, fresh: &StoredToken) -> Result<bool> {
        self.call("add_token", async {
            let mut write = self.begin().await?;
            let there: i64 = sqlx::query("SELECT count(*) AS n FROM token")
                .fetch_one(write.on())
                .await?
                .try_get("n")?;
            if there >= MOST_TOKENS as i64 {
                return write.undone(false).await;
            }
            sqlx::query(
                "INSERT INTO token (id, name, scope, sha256, created) VALUES ($1, $2, $3, $4, $5)",
            )
            .bind(&fresh.token.id)
            .bind(&fresh.token.name)
            .bind(fresh.token.scope.word())
            .bind(hex(&fresh.sha256))
            .bind(fresh.token.created)
            .execute(write.on())
            .await?;
            write.done().await?;
            Ok(true)
        })
        .await
    }

    /// Removes one. `false`: there is none.
    pub async fn remove_token(&self, id: &str) -> Result<bool> {
        if id.contains('\0') {
            return Ok(false);
        }
        self.call("remove_token", async {
            let mut write = self.begin().await?;
            let gone = sqlx::query("DELETE FROM token WHERE id = $1")
                .bind(id)
                .execute(write.on())
                .await?
                .rows_affected();
            write.done().await?;
            Ok(gone > 0)
        })
        .await
    }

    /// Notes that one was used.
    pub async fn token_used(&self, id: &str, now: Millis) -> Result<()> {
        self.call("token_used", async {
            let mut write = self.begin().await?;
            sqlx::query("UPDATE token SET last_used = $2 WHERE id = $1")
                .bind(id)
                .bind(now)
                .execute(write.on())
                .await?;
            write.done().await
        })
        .await
    }
}
