//! State fuzz: a number in the work is altered between two stages, where a stage of somebody else writes, and the chain goes on.
//! What comes out must be refused, withheld, equal to the byte to what the unaltered job gives, or right in the eyes of a judge that
//! knows the documents and the texts alone (`tests/python/judge`).
//!
//! A change is known by its number: [`Number`] says the sample, the stage and the kind, and starts the random choices. `./test
//! altered` makes 2,000 of them, the ordinary test a twentieth. `GRAINWAY_ALTERED_ONLY` names those to make again, with commas.

mod change;
mod judge;
mod paper;
mod planted;

use super::mutants::text::Random;
use change::{Altered, alter};
use grainway_pipeline::chain::{Chain, Keep, KeepNothing, Stages, StateKey};
use grainway_pipeline::doc::{Pointer, Problem, Unit};
use grainway_pipeline::finding::Severity;
use grainway_pipeline::stage::{
    About, Cancel, Cx, Dialects, MemorySpool, Settings, Silent, Spool, SpoolId, Stage, Stop,
};
use grainway_pipeline::work::Work;
use grainway_tests::{Folder, SAMPLES, load, root};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::{BufRead, Read, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

/// Changes in a full run.
const CHANGES: usize = 2000;
/// A chain that an altered work keeps busy for longer is ended: nothing comes out of it.
const LONGEST_SECONDS: u64 = 300;
/// After so many changes the judge is asked, and a long run says how far it is.
const BATCH: usize = 60;

/// The jobs in which changes are made: all of `jobs/` that a chain can run as they are.
fn jobs() -> Vec<PathBuf> {
    let folder = root().join("jobs");
    let mut jobs: Vec<PathBuf> = SAMPLES
        .iter()
        .map(|s| folder.join(s).join("job.json"))
        .collect();
    jobs.push(folder.join("bench-template/job.json"));
    jobs.push(folder.join("bench-template/marks.json"));
    jobs.push(folder.join("card-index-cabinet/job.json"));
    jobs
}

/// The number of a change, taken apart: every round alters each sample after each stage once, by name and anywhere in turn.
struct Number {
    sample: usize,
    stage: usize,
    named: bool,
}

impl Number {
    fn of(n: usize, samples: usize, stages: usize) -> Number {
        Number {
            sample: n % samples,
            stage: n / samples % stages,
            named: (n / samples / stages).is_multiple_of(2),
        }
    }
}

/// The stage of somebody else: makes the change of a number, or none.
struct Alter {
    about: About,
    number: Option<(usize, bool)>,
    done: Mutex<Option<Altered>>,
}

impl Alter {
    fn new(number: Option<(usize, bool)>) -> Alter {
        let about = About {
            name: "alter",
            version: 1,
            summary: "Alters one value of the work.",
            needs: &[],
            // Whoever gives parts may change them: verify is to see what became of them.
            gives: &["parts"],
            spoils: &[],
            schema: json!({}),
            example: json!({}),
        };
        Alter {
            about,
            number,
            done: Mutex::default(),
        }
    }
}

impl Stage for Alter {
    fn about(&self) -> &About {
        &self.about
    }
    fn origin(&self) -> &str {
        "test"
    }
    fn run(&self, work: &mut Work, _: &Settings, _: &Cx<'_>) -> Result<(), Stop> {
        let Some((n, named)) = self.number else {
            return Ok(());
        };
        let mut random = Random::of(&format!("altered {n}"));
        let mut altered = alter(work, named, &mut random);
        let read = std::mem::replace(&mut altered.work, Err(String::new()));
        let refused = match read {
            Ok(read) => {
                *work = *read;
                None
            }
            Err(why) => Some(why),
        };
        let refused = refused.map(|why| {
            altered.work = Err(why);
            // As the host ends the chain at a patch that it refuses.
            Stop::Cancelled
        });
        *self.done.lock().unwrap() = Some(altered);
        refused.map_or(Ok(()), Err)
    }
    fn read_settings(&self, layer: &Value, _: Unit, _: &Pointer) -> Result<Value, Vec<Problem>> {
        Ok(layer.clone())
    }
}

/// Texts of a run over those of the unaltered one.
struct Over<'s> {
    under: &'s MemorySpool,
    own: MemorySpool,
}

impl Spool for Over<'_> {
    fn write(
        &self,
        fill: &mut dyn FnMut(&mut dyn Write) -> std::io::Result<()>,
    ) -> std::io::Result<SpoolId> {
        self.own.write(fill)
    }
    fn open(&self, id: &SpoolId) -> std::io::Result<Box<dyn BufRead + Send>> {
        self.own.open(id).or_else(|_| self.under.open(id))
    }
}

/// The files of a made job by name, and what the report says became of it.
struct Out {
    files: BTreeMap<String, Vec<u8>>,
    report: Value,
    ready: bool,
}

impl Out {
    fn of(work: &Work, spool: &dyn Spool) -> Out {
        let read = |id: &SpoolId| {
            let mut bytes = Vec::new();
            let text = spool.open(id).and_then(|mut t| t.read_to_end(&mut bytes));
            text.map(|_| bytes).unwrap_or_default()
        };
        let files: BTreeMap<String, Vec<u8>> = work
            .files
            .iter()
            .map(|(n, id)| (n.clone(), read(id)))
            .collect();
        let report = files
            .get("report.json")
            .map(Vec::as_slice)
            .unwrap_or_default();
        let report: Value = serde_json::from_slice(report).unwrap_or_default();
        Out {
            ready: report["verdict"] == "ready",
            report,
            files,
        }
    }
    fn is_program(name: &str) -> bool {
        name.starts_with("programs")
    }
    fn programs(&self) -> Vec<(&String, &Vec<u8>)> {
        self.files
            .iter()
            .filter(|(n, _)| Self::is_program(n))
            .collect()
    }
    fn papers(&self) -> BTreeMap<&str, &[u8]> {
        let papers = self.files.iter().filter(|(n, _)| !Self::is_program(n));
        papers.map(|(n, b)| (n.as_str(), b.as_slice())).collect()
    }
}

/// A sample and its work after every stage, unaltered.
struct Sample {
    job: PathBuf,
    document: Value,
    name: String,
    states: Vec<Work>,
    spool: MemorySpool,
    out: Out,
}

/// Keeps all states.
struct KeepAll(Vec<Work>);

impl Keep for KeepAll {
    fn keep(&mut self, _: usize, _: &str, _: &StateKey, work: &Work) -> Result<(), Stop> {
        self.0.push(work.clone());
        Ok(())
    }
}

fn stage_names() -> Vec<&'static str> {
    grainway_stages::built_in()
        .standard()
        .map(|s| s.about().name)
        .collect()
}

/// Runs a chain in which `alter` stands after the stage of this index, from that place on, and gives the work.
fn run_from(
    mut work: Work,
    stage: usize,
    alter: &Arc<Alter>,
    job: &Path,
    spool: &dyn Spool,
    keep: &mut dyn Keep,
    from: usize,
) -> Result<Work, Stop> {
    let mut stages: Stages = grainway_stages::built_in();
    stages.add(Arc::clone(alter) as Arc<dyn Stage>);
    let mut chain: Vec<String> = stage_names().iter().map(|s| (*s).to_string()).collect();
    chain.insert(stage + 1, "alter".to_string());
    work.documents.job.chain = Some(chain);
    let dialects: Dialects = grainway_dialects::built_in();
    let files = Folder(job.parent().unwrap().to_path_buf());
    let cancel = Cancel::default();
    let cx = Cx {
        files: &files,
        dialects: &dialects,
        spool,
        progress: &Silent,
        cancel: &cancel,
    };
    // Facts are those of the start: what stages before `from` gave is not forgotten by planning again.
    let mut start = work.clone();
    start.facts.clear();
    let chain = Chain::plan(&stages, &start)
        .map_err(|f| Stop::Fault(grainway_pipeline::stage::Fault::new(format!("{f:?}"))))?;
    let (ended, end) = std::sync::mpsc::channel::<()>();
    std::thread::scope(|scope| {
        let watched = &cancel;
        scope.spawn(move || {
            let longest = std::time::Duration::from_secs(LONGEST_SECONDS);
            if end.recv_timeout(longest) == Err(std::sync::mpsc::RecvTimeoutError::Timeout) {
                watched.set();
            }
        });
        let run = chain.run(&mut work, from, &cx, keep);
        drop(ended);
        run
    })?;
    Ok(work)
}

fn sample(job: PathBuf) -> Sample {
    let spool = MemorySpool::default();
    let mut kept = KeepAll(Vec::new());
    let last = stage_names().len() - 1;
    let alter = Arc::new(Alter::new(None));
    let work = load(&job).unwrap().work;
    let made = run_from(work, last, &alter, &job, &spool, &mut kept, 0).unwrap();
    let out = Out::of(&made, &spool);
    let name = job
        .strip_prefix(root().join("jobs"))
        .unwrap()
        .display()
        .to_string();
    assert!(out.ready, "{name}");
    Sample {
        document: serde_json::from_slice(&std::fs::read(&job).unwrap()).unwrap(),
        job,
        name,
        states: kept.0,
        spool,
        out,
    }
}

/// What became of a change, in the columns of the table.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Fate {
    /// It could not be read back, or the chain refused what the stage did.
    RefusedOnReading,
    /// A stage failed, or the chain was ended.
    Failed,
    /// Nothing was released: the code of the first error, after the layer that raised it.
    Withheld(String),
    Equal,
    /// Other programs, for the judge, or other papers.
    Different(Vec<String>),
}

/// A change that was made.
struct Trial {
    number: usize,
    sample: usize,
    stage: usize,
    what: String,
    pattern: String,
    fate: Fate,
    /// Verify had programs to look at.
    checked: bool,
    /// Other programs than the unaltered run's came out, or other places of what holds the wood.
    case: Option<judge::Case>,
}

fn attempt(n: usize, samples: &[Sample], stages: usize) -> Trial {
    let number = Number::of(n, samples.len(), stages);
    let sample = &samples[number.sample];
    let alter = Arc::new(Alter::new(Some((n, number.named))));
    let spool = Over {
        under: &sample.spool,
        own: MemorySpool::default(),
    };
    let work = sample.states[number.stage].clone();
    let run = catch_unwind(AssertUnwindSafe(|| {
        let (stage, job) = (number.stage, &sample.job);
        run_from(
            work,
            stage,
            &alter,
            job,
            &spool,
            &mut KeepNothing,
            stage + 1,
        )
    }));
    let done = alter.done.lock().unwrap().take();
    let (what, pattern, read) = match done {
        Some(a) => (
            a.what,
            a.pattern,
            !matches!(&a.work, Err(e) if !e.is_empty()),
        ),
        None => ("the change was not made".to_string(), String::new(), false),
    };
    let mut trial = Trial {
        number: n,
        sample: number.sample,
        stage: number.stage,
        what,
        pattern,
        fate: Fate::RefusedOnReading,
        checked: false,
        case: None,
    };
    let work = match run {
        Err(_) => {
            trial.fate = Fate::Different(vec!["panicked".to_string()]);
            return trial;
        }
        Ok(Err(_)) if !read => return trial,
        Ok(Err(Stop::Fault(f))) if f.what.starts_with("stage alter") => return trial,
        Ok(Err(_)) => {
            trial.fate = Fate::Failed;
            return trial;
        }
        Ok(Ok(work)) => work,
    };
    let out = Out::of(&work, &spool);
    trial.checked = work.facts.contains("verified") && !work.programs.is_empty();
    trial.fate = judge_out(&sample.out, &out, &work);
    let to_judge = match &trial.fate {
        Fate::Different(papers) => {
            out.programs() != sample.out.programs() || paper::are_places(papers)
        }
        _ => false,
    };
    if to_judge {
        trial.case = Some(judge::Case::of(
            n.to_string(),
            sample.document.clone(),
            sample.job.parent().unwrap(),
            &out,
        ));
    }
    trial
}

/// All that can be said without the judge.
fn judge_out(base: &Out, out: &Out, work: &Work) -> Fate {
    if !out.ready {
        let mut errors = work
            .findings
            .iter()
            .filter(|f| f.severity == Severity::Error);
        let layer = |code: &str| match code.strip_prefix("verify-") {
            Some(layer) => layer.to_string(),
            None => format!("({code})"),
        };
        let first = errors
            .next()
            .map_or("(no finding)".to_string(), |f| layer(&f.code));
        return match out
            .programs()
            .iter()
            .all(|(n, _)| n.starts_with("programs-withheld"))
        {
            true => Fate::Withheld(first),
            false => Fate::Different(vec![
                "programs beside a verdict that is not ready".to_string(),
            ]),
        };
    }
    let differ = paper::differences(&base.papers(), &out.papers());
    match out.programs() == base.programs() && differ.is_empty() {
        true => Fate::Equal,
        false => Fate::Different(differ),
    }
}

/// Judges the texts of all trials that have other programs, and says what is wrong in each trial.
fn wrongs(trials: &[Trial]) -> BTreeMap<usize, Vec<String>> {
    let cases: Vec<judge::Case> = trials.iter().filter_map(|t| t.case.clone()).collect();
    let judged = judge::judge(&cases);
    let mut wrong = BTreeMap::new();
    for trial in trials {
        let Fate::Different(papers) = &trial.fate else {
            continue;
        };
        let faults: Vec<String> = match judged.get(&trial.number.to_string()) {
            // What follows from the documents alone is no other with other programs or places.
            Some(faults) => {
                let fixed = papers.iter().filter(|p| paper::is_of_documents(p));
                faults.iter().chain(fixed).cloned().collect()
            }
            // The same programs: whatever else a person reads differs.
            None => papers.clone(),
        };
        if !faults.is_empty() {
            wrong.insert(trial.number, faults);
        }
    }
    wrong
}

/// The kind of a fault: its words without names and numbers.
fn kind(fault: &str) -> &str {
    fault.split(':').next().unwrap_or(fault)
}

fn print_table(trials: &[Trial], wrong: &BTreeMap<usize, Vec<String>>) {
    println!("\nafter      changes  refused  failed  withheld  equal  different and right  WRONG");
    for (i, stage) in stage_names().iter().enumerate() {
        let of = |want: &dyn Fn(&Trial) -> bool| {
            trials.iter().filter(|t| t.stage == i && want(t)).count()
        };
        let different = |t: &Trial| matches!(t.fate, Fate::Different(_));
        let is_wrong = |t: &Trial| wrong.contains_key(&t.number);
        let row = [
            of(&|_| true),
            of(&|t| t.fate == Fate::RefusedOnReading),
            of(&|t| t.fate == Fate::Failed),
            of(&|t| matches!(t.fate, Fate::Withheld(_))),
            of(&|t| t.fate == Fate::Equal),
            of(&|t| different(t) && !is_wrong(t)),
            of(&is_wrong),
        ];
        if row[0] > 0 {
            let [all, refused, failed, withheld, equal, right, wrong] = row;
            println!(
                "{stage:<10} {all:>7} {refused:>8} {failed:>7} {withheld:>9} {equal:>6} {right:>20} {wrong:>6}"
            );
        }
    }
    let mut layers: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for t in trials {
        if let Fate::Withheld(layer) = &t.fate {
            *layers.entry((stage_names()[t.stage], layer)).or_default() += 1;
        }
    }
    println!("\nwithheld, by the first error's layer, or its code where planning refused:");
    for stage in stage_names() {
        let own: Vec<String> = layers
            .iter()
            .filter(|((s, _), _)| *s == stage)
            .map(|((_, layer), n)| format!("{layer} {n}"))
            .collect();
        println!("{stage:<10} {}", own.join(", "));
    }
}

/// Everything that came out wrong, by what was altered.
fn worklist(trials: &[Trial], samples: &[Sample], wrong: &BTreeMap<usize, Vec<String>>) -> String {
    let mut by: BTreeMap<(usize, &str), Vec<&Trial>> = BTreeMap::new();
    for trial in trials.iter().filter(|t| wrong.contains_key(&t.number)) {
        by.entry((trial.stage, &trial.pattern))
            .or_default()
            .push(trial);
    }
    let mut out = String::new();
    for ((stage, pattern), trials) in by {
        out += &format!("\nafter {}: {pattern}\n", stage_names()[stage]);
        for t in trials {
            out += &format!("  {} in {}: {}\n", t.number, samples[t.sample].name, t.what);
            let faults = &wrong[&t.number];
            for fault in faults.iter().take(6) {
                out += &format!("      {fault}\n");
            }
            if faults.len() > 6 {
                out += &format!("      and {} more\n", faults.len() - 6);
            }
        }
    }
    out
}

/// Makes the changes of these numbers and gives those that came out wrong, with the share of changes that check saw.
fn run(numbers: &[usize]) -> (BTreeMap<usize, Vec<String>>, Vec<Trial>) {
    let samples: Vec<Sample> = jobs().into_iter().map(sample).collect();
    // After the last stage nobody else writes.
    let stages = stage_names().len() - 1;
    let (mut trials, mut wrong) = (Vec::new(), BTreeMap::new());
    for batch in numbers.chunks(BATCH) {
        let made: Vec<Trial> = batch
            .iter()
            .map(|n| attempt(*n, &samples, stages))
            .collect();
        wrong.extend(wrongs(&made));
        trials.extend(made);
        println!(
            "{} of {}: {} wrong",
            trials.len(),
            numbers.len(),
            wrong.len()
        );
        for (n, faults) in wrong.range(batch[0]..) {
            println!("  {n}: {}", faults[0]);
        }
    }
    print_table(&trials, &wrong);
    let mut kinds: BTreeMap<&str, usize> = BTreeMap::new();
    for faults in wrong.values() {
        *kinds.entry(kind(&faults[0])).or_default() += 1;
    }
    println!("\n{} wrong of {}: {kinds:?}", wrong.len(), trials.len());
    let list = worklist(&trials, &samples, &wrong);
    let file = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("altered-worklist.txt");
    let mut out = std::fs::File::create(&file).unwrap();
    out.write_all(list.as_bytes()).unwrap();
    println!(
        "what was altered and what came out stands in {}",
        file.display()
    );
    if numbers.len() < 20 {
        for t in &trials {
            println!(
                "{} after {}: {} => {:?}",
                t.number,
                stage_names()[t.stage],
                t.what,
                t.fate
            );
        }
        println!("{list}");
    }
    (wrong, trials)
}

/// `GRAINWAY_ALTERED` is the number of changes, which `./test altered` sets; a twentieth of a full run without it.
#[test]
fn altered_works_are_refused_withheld_or_right_slow() {
    let given = |name: &str| std::env::var(name).ok();
    if let Some(only) = given("GRAINWAY_ALTERED_ONLY") {
        let numbers: Vec<usize> = only.split(',').map(|n| n.trim().parse().unwrap()).collect();
        run(&numbers);
        return;
    }
    let changes: usize = given("GRAINWAY_ALTERED").map_or(CHANGES / 20, |w| w.parse().unwrap());
    let (wrong, trials) = run(&(0..changes).collect::<Vec<_>>());
    let checked = trials.iter().filter(|t| t.checked).count();
    assert!(
        2 * checked >= trials.len(),
        "check saw {checked} of {}",
        trials.len()
    );
    for i in 0..stage_names().len() - 1 {
        let n = trials.iter().filter(|t| t.stage == i).count();
        assert!(
            n * CHANGES >= 120 * changes,
            "{n} changes after {}",
            stage_names()[i]
        );
    }
    for i in 0..jobs().len() {
        let n = trials.iter().filter(|t| t.sample == i).count();
        assert!(
            n * CHANGES >= 300 * changes,
            "{n} changes of {}",
            jobs()[i].display()
        );
    }
    // Nothing is released beside a verdict that is not ready, and nothing panics, whatever was altered.
    let worst = ["panicked", "programs beside"];
    let worst = |f: &String| worst.iter().any(|w| f.starts_with(w));
    assert!(!wrong.values().flatten().any(worst), "{wrong:#?}");
}
