//! The process that holds one job: the keeper's and the worker's side.
//!
//! `grainway job-process keep …` keeps, `grainway job-process work TASK` works; both are started by grainway alone. The worker is the
//! only process that loads libraries. It leaves what it made in a folder and says so over its own pipe.

use crate::chain_run::run_into;
use crate::folder::open;
use crate::load::load;
use crate::registries::{Plugins, Registries};
use crate::request::Failure;
use crate::task::{OUTCOME_FILE, Order, Outcome, RESULT_FOLDER, Task};
use crate::text_check::verify_here;
use grainway_host::store::Store;
use grainway_host::{Frame, Installed, Reporter, loaded, outcome};
use grainway_pipeline::stage::{Cancel, Progress};
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Progress of one stage is told no more often.
const TELL: Duration = Duration::from_millis(100);

/// Runs such a process, by the arguments that follow its name.
pub fn job_process(mut arguments: impl Iterator<Item = OsString>) -> ExitCode {
    let role = arguments.next();
    let ended = match role.as_ref().and_then(|r| r.to_str()) {
        Some("keep") => grainway_host::keep(arguments),
        Some("work") => work(arguments.next().unwrap_or_default().as_ref()),
        _ => Err("this process is started by grainway itself".to_string()),
    };
    match ended {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            let _ = writeln!(std::io::stderr(), "grainway: {why}");
            ExitCode::from(2)
        }
    }
}

fn work(task: &Path) -> Result<(), String> {
    let line = Reporter::begin().map_err(|e| e.to_string())?;
    let task: Task = std::fs::read(task)
        .map_err(|e| e.to_string())
        .and_then(|bytes| serde_json::from_slice(&bytes).map_err(|e| e.to_string()))?;
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(task.threads)
        .build()
        .map_err(|e| format!("threads cannot be started: {e}"))?;
    let outcome = pool.install(|| done(&task, &line));
    if let Some(last) = outcome::take() {
        tell(&line, &last);
        return Ok(());
    }
    let written = serde_json::to_vec(&outcome)
        .map_err(std::io::Error::from)
        .and_then(|bytes| std::fs::File::create_new(OUTCOME_FILE)?.write_all(&bytes));
    written.map_err(|e| format!("the outcome cannot be written: {e}"))?;
    tell(&line, &Frame::Done);
    Ok(())
}

/// A worker that can no longer speak ends: its parent sees that it never said that it was done.
fn tell(line: &Reporter, frame: &Frame) {
    if line.send(frame).is_err() {
        std::process::exit(0);
    }
}

fn done(task: &Task, line: &Reporter) -> Outcome {
    if let Order::Describe(library) = &task.order {
        begin(line, "load", Some(library.display().to_string()));
        return match loaded::describe(library) {
            Ok(description) => Outcome::Described(description),
            Err(why) => Outcome::NotLoaded {
                plugin: library.display().to_string(),
                why,
            },
        };
    }
    if let Order::Conform(library) = &task.order {
        begin(line, "conformance", Some(library.display().to_string()));
        let found = grainway_host::conformance::run(library, grainway_host::conformance::DEADLINE);
        // A check that was meant to fail leaves its mark as a plugin's end would.
        let _ = outcome::take();
        return Outcome::Conformed(found);
    }
    let registries = match registries(task, line) {
        Ok(registries) => registries,
        Err(outcome) => return outcome,
    };
    let progress = Told {
        line,
        plugins: plugins_of_stages(&registries, task),
        now: Mutex::new((String::new(), Instant::now())),
    };
    let cancel = Cancel::default();
    let outcome = match &task.order {
        Order::Make(request) => run_into(
            RESULT_FOLDER.as_ref(),
            request,
            &registries,
            &progress,
            &cancel,
        )
        .map(|()| Outcome::Made),
        Order::Verify(request) => open(&request.job).and_then(|(folder, job_file)| {
            let loaded = load(&folder, &job_file, &registries.dialects);
            verify_here(request, &registries, &folder, loaded, &progress, &cancel)
                .map(Outcome::Verified)
        }),
        Order::Describe(_) | Order::Conform(_) => {
            Err(Failure::Failed("it was described already".to_string()))
        }
    };
    outcome.unwrap_or_else(|failure| match failure {
        Failure::Usage(why) => Outcome::Usage(why),
        Failure::Failed(why) | Failure::NoProcess(why) => Outcome::Failed(why),
        Failure::Cancelled => Outcome::Failed("cancelled without a wish".to_string()),
    })
}

fn begin(line: &Reporter, stage: &str, plugin: Option<String>) {
    let frame = Frame::Stage {
        name: stage.to_string(),
        plugin,
    };
    tell(line, &frame);
}

/// The registries with the libraries of the job's plugins in the place of their descriptions.
fn registries(task: &Task, line: &Reporter) -> Result<Registries, Outcome> {
    let mut all = Registries::built_in();
    let Some(root) = &task.store else {
        return Ok(all);
    };
    let installed = Store::open(root)
        .and_then(|store| Installed::at(store, &task.pins))
        .map_err(|e| Outcome::Failed(e.to_string()))?;
    for plugin in installed.plugins() {
        if !task.native.contains(&plugin.name) {
            continue;
        }
        begin(line, "load", Some(plugin.name.clone()));
        let native = installed
            .library(plugin)
            .and_then(|path| loaded::load_into(&path, plugin, &mut all.stages, &mut all.dialects));
        native.map_err(|why| Outcome::NotLoaded {
            plugin: plugin.name.clone(),
            why,
        })?;
    }
    // Behind the libraries: what is there already stays.
    installed.add_to(&mut all.stages, &mut all.dialects);
    all.plugins = Some(Plugins::loaded(installed));
    Ok(all)
}

/// Which plugin's code runs in which stage. Stages that make or need programs use the machine's dialect.
fn plugins_of_stages(registries: &Registries, task: &Task) -> BTreeMap<String, String> {
    let installed = registries.plugins.as_ref().map(|p| &p.installed);
    let of = |sha256: &str| installed?.of_origin(sha256).map(|p| p.name.clone());
    let mut plugins = BTreeMap::new();
    for stage in registries.stages.iter() {
        let about = stage.about();
        let programs = about
            .gives
            .iter()
            .chain(about.needs)
            .any(|f| *f == "programs");
        let plugin = match of(stage.origin()) {
            Some(own) => Some(own),
            None if programs => task.dialect.clone(),
            None => None,
        };
        if let Some(plugin) = plugin {
            plugins.insert(about.name.to_string(), plugin);
        }
    }
    plugins
}

/// Progress as frames: a stage that was not spoken of before begins.
struct Told<'l> {
    line: &'l Reporter,
    plugins: BTreeMap<String, String>,
    now: Mutex<(String, Instant)>,
}

impl Progress for Told<'_> {
    fn at(&self, stage: &str, done: usize, total: usize) {
        // What a stage does after its plugin failed is not what ended the job.
        if outcome::noted() {
            return;
        }
        let mut now = self.now.lock().unwrap_or_else(PoisonError::into_inner);
        if now.0 != stage {
            *now = (stage.to_string(), Instant::now());
            begin(self.line, stage, self.plugins.get(stage).cloned());
        } else if now.1.elapsed() >= TELL {
            now.1 = Instant::now();
            let frame = Frame::Progress {
                stage: stage.to_string(),
                done,
                total,
            };
            tell(self.line, &frame);
        }
    }
}
