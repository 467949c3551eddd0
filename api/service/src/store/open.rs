//! Opening a store: options of each database, the lock of an embedded one, and its tables.

use super::schema::MIGRATIONS;
use super::{Inner, Result, Store, StoreProblem, StoreUrl};
use crate::faults::FaultPlan;
use sqlx::any::AnyPoolOptions;
use sqlx::{AnyConnection, AnyPool, AssertSqlSafe, Connection, Executor, Row};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Once};
use std::time::Duration;

/// How long a caller waits for a connection to an SQLite file: for the writers before it.
const WAIT_FOR_FILE: Duration = Duration::from_secs(10);
/// How long a caller waits for a connection to PostgreSQL: a submission is answered within 3 s while the server is away.
const WAIT_FOR_SERVER: Duration = Duration::from_secs(2);
/// Readers of an SQLite file.
const READERS: u32 = 4;
/// Connections to PostgreSQL.
const CONNECTIONS: u32 = 8;
/// How long a connection's answer to a ping is waited for.
const LONGEST_PING: Duration = Duration::from_secs(1);
/// A connection that answered so short ago is not asked again.
const TRUSTED: Duration = Duration::from_secs(1);
/// Taken by whoever makes or changes tables on PostgreSQL.
const TABLES_LOCK: &str = "SELECT pg_advisory_xact_lock(4750170218)";

/// What every SQLite connection says first. A commit is on the disk before it is answered.
const SQLITE_BEGINS: &str = "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA busy_timeout = 10000; PRAGMA foreign_keys = ON;";
/// What every PostgreSQL connection says first: no statement and no lock takes for ever, and a commit is on the disk.
const POSTGRES_BEGINS: &str = "SET statement_timeout = '11s'; SET lock_timeout = '8s'; SET idle_in_transaction_session_timeout = '5s'; \
     SET synchronous_commit = 'on';";

fn drivers() {
    static ONCE: Once = Once::new();
    ONCE.call_once(sqlx::any::install_default_drivers);
}

pub(super) async fn open(url: &StoreUrl) -> Result<Store> {
    drivers();
    let (inner, embedded) = match url {
        StoreUrl::Sqlite(path) => (sqlite(path).await?, true),
        StoreUrl::Postgres(url) => (postgres(url).await?, false),
    };
    tables(&inner.write, embedded).await?;
    Ok(Store {
        inner: Arc::new(inner),
        faults: FaultPlan::default(),
    })
}

impl StoreUrl {
    /// Where it is, for the log: without a password and options.
    pub fn shown(&self) -> String {
        match self {
            StoreUrl::Sqlite(path) => path.display().to_string(),
            StoreUrl::Postgres(address) => shown(address),
        }
    }
}

fn disk(path: &Path, e: &std::io::Error) -> StoreProblem {
    StoreProblem::Disk(format!("{}: {e}", path.display()))
}

/// Locks the file beside the database, which the system lets go of when this process ends, however it ends.
fn lock(path: &Path) -> Result<std::fs::File> {
    let mut name = path.as_os_str().to_owned();
    name.push(".lock");
    let name = PathBuf::from(name);
    let file = std::fs::File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&name)
        .map_err(|e| disk(&name, &e))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(std::fs::TryLockError::WouldBlock) => {
            Err(StoreProblem::InUse(path.display().to_string()))
        }
        Err(std::fs::TryLockError::Error(e)) => Err(disk(&name, &e)),
    }
}

async fn sqlite(path: &Path) -> Result<Inner> {
    if let Some(parent) = path.parent().filter(|p| !p.as_os_str().is_empty()) {
        std::fs::create_dir_all(parent).map_err(|e| disk(parent, &e))?;
    }
    let lock = lock(path)?;
    private(path)?;
    file(path, Some(lock)).await
}

/// A store whose tables are as they should be, beside whoever else has it open: databases keep writers apart by themselves.
pub(super) async fn beside(url: &StoreUrl) -> Result<Store> {
    drivers();
    let StoreUrl::Sqlite(path) = url else {
        return open(url).await;
    };
    Ok(Store {
        inner: Arc::new(file(path, None).await?),
        faults: FaultPlan::default(),
    })
}

async fn file(path: &Path, lock: Option<std::fs::File>) -> Result<Inner> {
    let address = address(path, "mode=rwc")?;
    let pool = |most: u32, begins: &'static str| {
        AnyPoolOptions::new()
            .max_connections(most)
            .acquire_timeout(WAIT_FOR_FILE)
            // A file is not gone because nobody asked for a while.
            .idle_timeout(None)
            .max_lifetime(None)
            // After a rollback that is still on its way.
            .after_release(|c, _| Box::pin(async move { c.ping().await.and_then(|()| free(c)) }))
            .after_connect(move |c, _| Box::pin(async move { c.execute(begins).await.map(|_| ()) }))
    };
    first(&address, SQLITE_BEGINS, WAIT_FOR_FILE)
        .await
        .map_err(|e| match StoreProblem::from(e) {
            StoreProblem::Failed(why) => StoreProblem::Failed(format!("{}: {why}", path.display())),
            StoreProblem::Disk(why) => StoreProblem::Disk(format!("{}: {why}", path.display())),
            other => other,
        })?;
    let write = pool(1, SQLITE_BEGINS).connect(&address).await?;
    let read = pool(
        READERS,
        "PRAGMA busy_timeout = 10000; PRAGMA query_only = ON;",
    )
    .connect_lazy(&address)?;
    Ok(Inner {
        write,
        read,
        embedded: true,
        shown: path.display().to_string(),
        _lock: lock,
    })
}

async fn postgres(address: &str) -> Result<Inner> {
    let shown = shown(address);
    if !cfg!(feature = "postgres") {
        return Err(StoreProblem::Failed(format!(
            "{shown}: this grainway was built without PostgreSQL"
        )));
    }
    first(address, POSTGRES_BEGINS, WAIT_FOR_SERVER)
        .await
        .map_err(|e| match e {
            // The driver's words about an address might repeat the password.
            sqlx::Error::Configuration(_) => StoreProblem::Failed(format!(
                "{shown} is not an address of a PostgreSQL database, or has an option that is not known"
            )),
            other => other.into(),
        })?;
    let write: AnyPool = AnyPoolOptions::new()
        .max_connections(CONNECTIONS)
        .acquire_timeout(WAIT_FOR_SERVER)
        // Both in place of the pool's own pings, which wait without end for a peer that is gone without a word and keep the
        // connection's place occupied meanwhile.
        .test_before_acquire(false)
        .before_acquire(|c, told| {
            Box::pin(async move { Ok(told.idle_for < TRUSTED || answers(c).await?) })
        })
        .after_release(|c, _| Box::pin(answers(c)))
        .after_connect(|c, _| Box::pin(async move { c.execute(POSTGRES_BEGINS).await.map(|_| ()) }))
        .connect(address)
        .await?;
    Ok(Inner {
        read: write.clone(),
        write,
        embedded: false,
        shown,
        _lock: None,
    })
}

/// One connection before the pool: a pool tries again until its time is over, and says no more than that then.
async fn first(
    address: &str,
    begins: &'static str,
    wait: Duration,
) -> std::result::Result<(), sqlx::Error> {
    let once = async {
        let mut connection = AnyConnection::connect(address).await?;
        connection.execute(begins).await?;
        connection.close().await
    };
    match tokio::time::timeout(wait, once).await {
        Ok(answer) => answer,
        Err(_) => Err(sqlx::Error::PoolTimedOut),
    }
}

/// Makes the file where there is none, for its owner alone: webhooks' secrets are in it. The files that SQLite puts beside it get the
/// same rights.
fn private(path: &Path) -> Result<()> {
    std::fs::File::options()
        .create(true)
        .truncate(false)
        .append(true)
        .mode(0o600)
        .open(path)
        .map(|_| ())
        .map_err(|e| disk(path, &e))
}

/// A connection answers at once and is in no transaction. One that is not is dropped without a farewell.
async fn answers(connection: &mut AnyConnection) -> std::result::Result<bool, sqlx::Error> {
    match tokio::time::timeout(LONGEST_PING, connection.ping()).await {
        Err(_) => Err(sqlx::Error::PoolTimedOut),
        Ok(answer) => answer.and_then(|()| free(connection)),
    }
}

/// On a full disk SQLite ends a transaction by itself. The driver goes on to count it as open, and the connection takes no other.
fn free(connection: &AnyConnection) -> std::result::Result<bool, sqlx::Error> {
    match connection.is_in_transaction() {
        true => Err(sqlx::Error::BeginFailed),
        false => Ok(true),
    }
}

/// The format of a store, with nothing changed or made. 0: there are no tables.
pub(super) async fn format(url: &StoreUrl) -> Result<i64> {
    drivers();
    let address = match url {
        StoreUrl::Sqlite(path) => address(path, "mode=ro")?,
        StoreUrl::Postgres(address) => address.clone(),
    };
    let connect = AnyConnection::connect(&address);
    let mut connection = match tokio::time::timeout(WAIT_FOR_SERVER, connect).await {
        Ok(connection) => connection.map_err(|e| match StoreProblem::from(e) {
            StoreProblem::Failed(why) if why.contains("://") => {
                StoreProblem::Failed(format!("{} is not an address", shown(&address)))
            }
            other => other,
        })?,
        Err(_) => return Err(StoreProblem::from(sqlx::Error::PoolTimedOut)),
    };
    let meta = match url {
        StoreUrl::Sqlite(_) => "SELECT 1 FROM sqlite_master WHERE name = 'meta'",
        StoreUrl::Postgres(_) => "SELECT 1 WHERE to_regclass('meta') IS NOT NULL",
    };
    let mut found = 0;
    if sqlx::query(meta)
        .fetch_optional(&mut connection)
        .await?
        .is_some()
    {
        let row = sqlx::query("SELECT value FROM meta WHERE key = 'format'")
            .fetch_optional(&mut connection)
            .await?;
        if let Some(row) = row {
            found = super::rows::parsed(&row.try_get::<String, _>("value")?)?;
        }
    }
    let _ = connection.close().await;
    Ok(found)
}

/// A file as the driver wants to have it.
fn address(path: &Path, options: &str) -> Result<String> {
    let whole = std::path::absolute(path).map_err(|e| disk(path, &e))?;
    let mut address = url::Url::from_file_path(&whole)
        .map_err(|()| StoreProblem::Disk(format!("{} is no file name", path.display())))?;
    address.set_query(Some(options));
    // `file:///a%20b` → `sqlite:///a%20b`: the same escapes.
    Ok(address.as_str().replacen("file:", "sqlite:", 1))
}

/// An address without its password and options.
fn shown(address: &str) -> String {
    match url::Url::parse(address) {
        Ok(mut url) => {
            let _ = url.set_password(None);
            url.set_query(None);
            url.to_string()
        }
        Err(_) => "the job store".to_string(),
    }
}

/// Makes the tables, or brings them up to date.
async fn tables(pool: &AnyPool, embedded: bool) -> Result<()> {
    let mut connection = pool.acquire().await?;
    let begin = match embedded {
        true => "BEGIN EXCLUSIVE",
        false => "BEGIN",
    };
    let mut tx = connection.begin_with(begin).await?;
    if !embedded {
        sqlx::query(TABLES_LOCK).execute(&mut *tx).await?;
    }
    run(
        &mut tx,
        "CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY NOT NULL, value TEXT NOT NULL) {strict}",
        embedded,
    )
    .await?;
    let row = sqlx::query("SELECT value FROM meta WHERE key = 'format'")
        .fetch_optional(&mut *tx)
        .await?;
    let found: i64 = match row {
        None => 0,
        Some(row) => super::rows::parsed(&row.try_get::<String, _>("value")?)?,
    };
    let known = MIGRATIONS.len() as i64;
    if found > known {
        return Err(StoreProblem::TooNew { found, known });
    }
    for migration in MIGRATIONS.iter().skip(usize::try_from(found).unwrap_or(0)) {
        run(&mut tx, migration, embedded).await?;
    }
    if found < known {
        sqlx::query(
            "INSERT INTO meta (key, value) VALUES ('format', $1) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        )
        .bind(known.to_string())
        .execute(&mut *tx)
        .await?;
    }
    tx.commit().await?;
    Ok(())
}

/// Statements, divided by semicolons, in the words of the database.
async fn run(connection: &mut AnyConnection, sql: &str, embedded: bool) -> Result<()> {
    let words = match embedded {
        true => [
            ("{int}", "INTEGER"),
            ("{real}", "REAL"),
            ("{serial}", "INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL"),
            ("{strict}", "STRICT"),
        ],
        false => [
            ("{int}", "BIGINT"),
            ("{real}", "DOUBLE PRECISION"),
            (
                "{serial}",
                "BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY",
            ),
            ("{strict}", ""),
        ],
    };
    let sql = words
        .iter()
        .fold(sql.to_string(), |sql, (mark, word)| sql.replace(mark, word));
    for statement in sql.split(';').map(str::trim).filter(|s| !s.is_empty()) {
        sqlx::query(AssertSqlSafe(statement.to_string()))
            .execute(&mut *connection)
            .await?;
    }
    Ok(())
}
