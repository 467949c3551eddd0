//! The running service: opens what it needs, takes up what an earlier process left, starts its parts, and ends in good order.

use super::config::Config;
use super::files::{Files, FilesProblem, QUEUE};
use super::store::{Store, StoreProblem};
use super::tasks::broken;
use super::{Shared, hooks, http, sweep, watched_folder, worker};
use grainway_runner::Launcher;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::{Notify, watch};
use tokio::task::JoinSet;
use tokio::time::Instant;

/// How often jobs whose lease ran out are looked for.
const LOOK: Duration = Duration::from_secs(10);
/// How often the file store is swept and old jobs are forgotten.
const SWEEP: Duration = Duration::from_secs(3600);
/// How long a queue that cannot be reached at the start is left alone before it is tried again.
const TRY_AGAIN: Duration = Duration::from_secs(1);
/// How often the log says that it is waited for.
const SAID_AGAIN: Duration = Duration::from_secs(30);
/// What the parts may take beyond the drain before this process ends without them.
const LAST: Duration = Duration::from_secs(20);

/// Why the service cannot run.
#[derive(Debug, thiserror::Error)]
pub enum Trouble {
    /// The configuration asks for what cannot be.
    #[error("{0}")]
    Usage(String),
    /// The queue.
    #[error(transparent)]
    Store(#[from] StoreProblem),
    /// The files.
    #[error(transparent)]
    Files(#[from] FilesProblem),
    /// The machine.
    #[error("{0}")]
    Machine(String),
}

impl From<sweep::SweepProblem> for Trouble {
    fn from(problem: sweep::SweepProblem) -> Trouble {
        match problem {
            sweep::SweepProblem::Store(p) => p.into(),
            sweep::SweepProblem::Files(p) => p.into(),
        }
    }
}

/// Opens the queue and the files, and takes up what an earlier process left. A queue that cannot be reached is waited for: after a power
/// cut its server may come up later than this one.
pub async fn open(config: Config, launcher: Launcher) -> Result<Arc<Shared>, Trouble> {
    let mut told: Option<Instant> = None;
    loop {
        match open_once(config.clone(), launcher.clone()).await {
            Err(Trouble::Store(StoreProblem::Away(why))) => {
                if told.is_none_or(|at| at.elapsed() >= SAID_AGAIN) {
                    tracing::warn!(
                        "waiting for the queue, {}: {why}",
                        config.store_url().shown()
                    );
                    told = Some(Instant::now());
                }
                tokio::time::sleep(TRY_AGAIN).await;
            }
            opened => return opened,
        }
    }
}

async fn open_once(mut config: Config, launcher: Launcher) -> Result<Arc<Shared>, Trouble> {
    // The processes of jobs work in folders of their own.
    let work = std::path::absolute(config.work_folder())
        .map_err(|e| Trouble::Machine(format!("{}: {e}", config.work_folder().display())))?;
    config.work = Some(work);
    let store = Store::open(&config.store_url()).await?;
    let files = Files::open(&config.files_url())?;
    belong_together(&store, &files).await?;
    let shared = Arc::new(Shared {
        config,
        store,
        files,
        launcher,
        owner: uuid::Uuid::new_v4(),
        work: Notify::new(),
        events: watch::Sender::new(0),
        stop: watch::Sender::new(false),
    });
    sweep::work_folders(&shared)
        .map_err(|e| Trouble::Machine(format!("{}: {e}", shared.config.work_folder().display())))?;
    let lost = shared.store.take_up(shared.now(), true).await?;
    if !lost.is_empty() {
        tracing::info!(
            "{} jobs of an earlier process are taken up again",
            lost.len()
        );
    }
    if shared.store.is_embedded() {
        shared.files.clean().await?;
        sweep::files(&shared, 0).await?;
    }
    Ok(shared)
}

/// Another queue would sweep away the files of one that it does not know, and a queue without its files fails every job.
async fn belong_together(store: &Store, files: &Files) -> Result<(), Trouble> {
    if let Some(why) = strangers(store, files).await? {
        return Err(Trouble::Usage(why));
    }
    if files.queue().await?.is_none() {
        files.belong_to(&store.id().await?).await?;
        // Another queue may have taken them at the same time.
        if let Some(why) = strangers(store, files).await? {
            return Err(Trouble::Usage(why));
        }
    }
    Ok(store.note_files().await?)
}

/// Why this queue and these files are not each other's.
pub async fn strangers(store: &Store, files: &Files) -> Result<Option<String>, Trouble> {
    let id = store.id().await?;
    let (queue, folder) = (store.shown(), files.shown());
    Ok(match files.queue().await? {
        Some(owner) if owner == id => None,
        Some(_) => Some(format!(
            "the files in {folder} belong to another queue than {queue}: set `store` or `files` right. To let this queue have them, remove \"{QUEUE}\" there; files of jobs that it does not know are removed then"
        )),
        None if store.has_files().await? => Some(format!(
            "{folder} lacks \"{QUEUE}\", which says that the files of {queue} are there: is its drive there, and `files` right? If they are lost for good, write that file with the line \"{id}\"; jobs whose files are gone fail then"
        )),
        None => None,
    })
}

/// Runs workers and, with a listener, everything else, until a signal. `at_work` hears that it has begun, and the
/// address it listens on.
pub async fn run(
    shared: Arc<Shared>,
    listener: Option<TcpListener>,
    signals: &mut Signals,
    at_work: impl FnOnce(Option<SocketAddr>),
) -> Result<(), Trouble> {
    let mut tasks = JoinSet::new();
    tasks.spawn(worker::work(Arc::clone(&shared)));
    tasks.spawn(look_after(Arc::clone(&shared)));
    tasks.spawn(clear_away(Arc::clone(&shared)));
    let address = listener.as_ref().map(TcpListener::local_addr);
    let address = address.transpose();
    let address = address.map_err(|e| Trouble::Machine(e.to_string()))?;
    if let Some(listener) = listener {
        tasks.spawn(http::serve(Arc::clone(&shared), listener));
        tasks.spawn(watched_folder::watch(Arc::clone(&shared)));
        tasks.spawn(hooks::send(Arc::clone(&shared)));
    }
    at_work(address);
    // A service without one of its parts would look alive and do half of its work: it ends, and is started again.
    let failed = tokio::select! {
        () = signals.next() => None,
        why = broken(&mut tasks) => Some(why),
    };
    if let Some(why) = &failed {
        tracing::error!("a part of this service failed inside: {why}");
    }
    tracing::info!("stopping: nothing new is begun, what runs may finish");
    shared.stop.send_replace(true);
    let whole = Duration::from_secs(shared.config.limits.drain_seconds) + LAST;
    let ended = async { while tasks.join_next().await.is_some() {} };
    tokio::select! {
        () = ended => {}
        () = tokio::time::sleep(whole) => tracing::warn!("some parts did not end in time"),
        () = signals.next() => {
            tracing::warn!("stopped at once; jobs at work are taken up at the next start");
        }
    }
    sweep::own_folder(&shared);
    shared.store.clone().close().await;
    match failed {
        None => Ok(()),
        Some(why) => Err(Trouble::Machine(format!(
            "a part of this service failed inside: {why}"
        ))),
    }
}

/// Takes up jobs whose lease ran out.
async fn look_after(shared: Arc<Shared>) {
    let mut stop = shared.stop.subscribe();
    loop {
        tokio::select! {
            () = tokio::time::sleep(LOOK) => {}
            _ = stop.wait_for(|s| *s) => return,
        }
        match shared.store.take_up(shared.now(), false).await {
            Ok(lost) if lost.is_empty() => {}
            Ok(lost) => {
                tracing::warn!(
                    "{} jobs whose worker was lost go back into the queue",
                    lost.len()
                );
                shared.stir();
            }
            Err(problem) => tracing::warn!("lost jobs cannot be looked for: {problem}"),
        }
    }
}

/// Sweeps, and forgets old jobs. A large store takes a while: lost jobs are taken up meanwhile.
async fn clear_away(shared: Arc<Shared>) {
    let mut stop = shared.stop.subscribe();
    loop {
        tokio::select! {
            () = tokio::time::sleep(SWEEP) => {}
            _ = stop.wait_for(|s| *s) => return,
        }
        // What is left when the service stops is swept another time.
        tokio::select! {
            swept = sweep::all(&shared) => if let Err(problem) = swept {
                tracing::warn!("the file store cannot be swept: {problem}");
            },
            _ = stop.wait_for(|s| *s) => return,
        }
    }
}

/// What asks the process to stop: SIGTERM and the interrupt of a terminal.
#[derive(Debug)]
pub struct Signals {
    term: Signal,
    interrupt: Signal,
}

impl Signals {
    /// From here on a signal does not end the process by itself; one that comes before [`Signals::next`] is kept for it.
    pub fn listen() -> Result<Self, Trouble> {
        let machine = |e: std::io::Error| Trouble::Machine(e.to_string());
        Ok(Self {
            term: signal(SignalKind::terminate()).map_err(machine)?,
            interrupt: signal(SignalKind::interrupt()).map_err(machine)?,
        })
    }

    /// Waits for the next one.
    pub async fn next(&mut self) {
        tokio::select! {
            _ = self.term.recv() => {}
            _ = self.interrupt.recv() => {}
        }
    }
}

/// Binds the address of the configuration. Addresses that others can reach need a token first.
pub async fn bind(shared: &Shared) -> Result<TcpListener, Trouble> {
    let listen = &shared.config.listen;
    let wrong =
        |e: std::io::Error| Trouble::Machine(format!("{listen} cannot be listened on: {e}"));
    let listener = TcpListener::bind(listen.as_str()).await.map_err(wrong)?;
    let address = listener.local_addr().map_err(wrong)?;
    if !address.ip().is_loopback() && shared.store.tokens().await?.is_empty() {
        return Err(Trouble::Usage(format!(
            "{address} can be reached from elsewhere, and this service has no token: make one with `grainway token new`, or listen on 127.0.0.1"
        )));
    }
    Ok(listener)
}
