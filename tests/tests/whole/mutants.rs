//! Mutants: a change is planted in a program's text, by words alone, and both verdicts are asked. Whatever is planted is harmful, but
//! for the kinds in [`EXEMPT`]: none may pass as planned, and none that loses a hold, a wait or a peck may be safe.
//!
//! The ordinary test plants one mutant of each kind in each dialect. `./test mutants` plants twenty, or all there are, over all samples
//! and prints the table. Mutators know letters and numbers of the published languages and nothing of the code that is tested.

mod pen;
pub mod text;
mod words;

use grainway_pipeline::doc::{CutterChangeBy, Unit};
use grainway_pipeline::work::Program;
use grainway_stages::verify::VerifySettings;
use grainway_tests::{Made, PEN_SAMPLE, SAMPLES, load, make, sample};
use std::collections::{BTreeMap, BTreeSet};
use text::Random;

/// What a mutant of a kind takes away.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Loses {
    /// A hold, a wait or a peck: the text is not safe, whoever wrote it.
    Guard,
    /// What the plan says; alone it may be safe.
    Plan,
    /// Nothing: see [`EXEMPT`].
    Nothing,
}

/// A kind of mutant: its name, what it takes away, and how a text gets it.
type Kind = (
    &'static str,
    Loses,
    fn(&[String], &mut Random) -> Option<Vec<String>>,
);

/// Kinds that are not harmful. All others are.
const EXEMPT: [&str; 6] = [
    "comment changed or deleted",
    "block number changed or deleted",
    "spaces",
    "small letters",
    "leading zeros",
    "word restated with the value in force",
];

/// A job as it was made, and how it is called in the tables.
struct Job {
    sample: &'static str,
    dialect: String,
    made: Made,
}

fn job(sample_name: &'static str, dialect: &str, unit: Unit, pauses: bool) -> Job {
    let mut loaded = load(&sample(sample_name)).unwrap();
    for machine in loaded.work.documents.shop.machines.values_mut() {
        machine.dialect = dialect.to_string();
        machine.program_unit = unit;
        if pauses {
            machine.cutter_change = CutterChangeBy::Pause;
        }
    }
    let made = make(loaded).unwrap();
    assert!(
        made.ready(),
        "{sample_name} in {dialect}: {:#?}",
        made.errors()
    );
    Job {
        sample: sample_name,
        dialect: dialect.to_string(),
        made,
    }
}

/// The jobs in which mutants are planted, dialect by dialect. A few of each dialect hold every kind.
fn jobs(all: bool) -> Vec<Job> {
    let dialects = grainway_dialects::built_in();
    let mut jobs = Vec::new();
    for dialect in dialects.names() {
        if dialects.get(dialect).unwrap().about().pen.is_some() {
            jobs.push(job(PEN_SAMPLE, dialect, Unit::Mm, false));
            continue;
        }
        jobs.push(job(SAMPLES[0], dialect, Unit::Mm, false));
        if all {
            jobs.push(job(SAMPLES[0], dialect, Unit::Inch, true));
            for name in &SAMPLES[1..] {
                jobs.push(job(name, dialect, Unit::Mm, false));
                jobs.push(job(name, dialect, Unit::Inch, true));
            }
        }
    }
    jobs
}

/// Passed as planned and safe, and safe alone.
struct Passed {
    both: bool,
    safe: bool,
}

/// The verdicts of a setup's texts, of which one is another than the job's, or which run in another order.
fn verdicts(
    made: &Made,
    setup: &str,
    changed: Option<(usize, &[String])>,
    order: &[usize],
) -> Passed {
    let setup = made.work.setups.iter().find(|s| s.id == setup).unwrap();
    let texts: Vec<(&Program, String)> = order
        .iter()
        .map(|i| {
            let program = &made.work.programs[*i];
            let text = match changed {
                Some((c, lines)) if c == *i => lines.join("\n") + "\n",
                _ => made.text(&program.text),
            };
            (program, text)
        })
        .collect();
    let verdict = made.verdict(setup, &texts, false, &VerifySettings::default());
    let verdict = verdict.unwrap();
    let as_planned = verdict
        .as_planned
        .iter()
        .all(|v| v.as_ref().is_some_and(|v| v.passed));
    Passed {
        both: verdict.safe.passed && as_planned,
        safe: verdict.safe.passed,
    }
}

/// The programs of the same setup, in running order.
fn beside(made: &Made, program: usize) -> Vec<usize> {
    let programs = &made.work.programs;
    (0..programs.len())
        .filter(|i| programs[*i].setup == programs[program].setup)
        .collect()
}

/// The first line that differs, for people.
fn difference(before: &[String], after: &[String]) -> String {
    let at = before.iter().zip(after).position(|(a, b)| a != b);
    let at = at.unwrap_or(before.len().min(after.len()));
    let line = |lines: &[String]| lines.get(at).cloned().unwrap_or_default();
    format!("line {}: {:?} -> {:?}", at + 1, line(before), line(after))
}

/// Caught, caught by `safe` alone, planted.
type Count = [usize; 3];

#[derive(Default)]
struct Table {
    by_dialect: BTreeMap<(&'static str, String), Count>,
    by_sample: BTreeMap<(&'static str, String), Count>,
    planted: usize,
    missed: Vec<String>,
}

impl Table {
    fn add(&mut self, kind: &'static str, job: &Job, passed: &Passed) {
        for (table, column) in [
            (&mut self.by_dialect, job.dialect.clone()),
            (&mut self.by_sample, job.sample.to_string()),
        ] {
            let count = table.entry((kind, column)).or_default();
            count[0] += usize::from(!passed.both);
            count[1] += usize::from(!passed.safe);
            count[2] += 1;
        }
        self.planted += 1;
    }
    fn judge(&mut self, loses: Loses, passed: &Passed, what: String) {
        let missed = match loses {
            Loses::Guard => passed.safe || passed.both,
            Loses::Plan => passed.both,
            Loses::Nothing => false,
        };
        if missed {
            println!("missed: {what}");
            self.missed.push(what);
        }
    }
    fn print(&self) {
        for (title, table) in [("dialect", &self.by_dialect), ("sample", &self.by_sample)] {
            let columns: BTreeSet<&String> = table.keys().map(|k| &k.1).collect();
            let kinds: BTreeSet<&str> = table.keys().map(|k| k.0).collect();
            println!("\nby {title}: caught/planted (caught by safe alone)");
            print!("{:44}", "kind");
            columns.iter().for_each(|c| print!("{c:>18}"));
            println!();
            for kind in kinds {
                let exempt = if EXEMPT.contains(&kind) {
                    " (exempt)"
                } else {
                    ""
                };
                print!("{:44}", format!("{kind}{exempt}"));
                for column in &columns {
                    let cell = table.get(&(kind, (*column).clone()));
                    let cell = cell.map_or("-".to_string(), |[caught, safe, planted]| {
                        format!("{caught}/{planted} ({safe})")
                    });
                    print!("{cell:>18}");
                }
                println!();
            }
        }
        println!(
            "\n{} mutants planted, {} missed",
            self.planted,
            self.missed.len()
        );
    }
}

/// Attempts after which a kind has no more mutants in a job.
const ATTEMPTS: usize = 24;

/// Plants up to `wanted` mutants of a kind in the jobs of one dialect, in turns.
fn plant(kind: &Kind, jobs: &[&Job], wanted: usize, table: &mut Table) {
    let (name, loses, mutate) = *kind;
    let mut random = Random::of(&format!("{name} {}", jobs[0].dialect));
    let mut seen: BTreeSet<(usize, usize, Vec<String>)> = BTreeSet::new();
    let mut idle = vec![0; jobs.len()];
    let mut planted = 0;
    while planted < wanted && idle.iter().any(|i| *i < ATTEMPTS) {
        for (j, job) in jobs.iter().enumerate() {
            if planted >= wanted || idle[j] >= ATTEMPTS {
                continue;
            }
            let program = random.below(job.made.work.programs.len());
            let text = job.made.text(&job.made.work.programs[program].text);
            let lines: Vec<String> = text.lines().map(str::to_string).collect();
            idle[j] += 1;
            let Some(mutant) = mutate(&lines, &mut random).filter(|m| *m != lines) else {
                continue;
            };
            if !seen.insert((j, program, mutant.clone())) {
                continue;
            }
            idle[j] = 0;
            planted += 1;
            let programs = &job.made.work.programs;
            let order = beside(&job.made, program);
            let changed = Some((program, mutant.as_slice()));
            let passed = verdicts(&job.made, &programs[program].setup, changed, &order);
            table.add(name, job, &passed);
            let what = format!(
                "{name}: {} in {}, {}, {}",
                job.sample,
                job.dialect,
                programs[program].name,
                difference(&lines, &mutant)
            );
            table.judge(loses, &passed, what);
        }
    }
}

/// Two programs of a setup run the other way round.
fn swap_programs(jobs: &[&Job], wanted: usize, table: &mut Table) {
    let mut planted = 0;
    for job in jobs {
        for i in 0..job.made.work.programs.len() {
            let mut order = beside(&job.made, i);
            let at = order.iter().position(|p| *p == i).unwrap();
            if at + 1 == order.len() || planted == wanted {
                continue;
            }
            order.swap(at, at + 1);
            planted += 1;
            let program = &job.made.work.programs[i];
            let passed = verdicts(&job.made, &program.setup, None, &order);
            table.add("programs in another order", job, &passed);
            let what = format!("order: {} in {}, {}", job.sample, job.dialect, program.name);
            table.judge(Loses::Plan, &passed, what);
        }
    }
}

fn run(wanted: usize, all: bool) -> Table {
    let jobs = jobs(all);
    let mut table = Table::default();
    let dialects: BTreeSet<&String> = jobs.iter().map(|j| &j.dialect).collect();
    for dialect in dialects {
        let own: Vec<&Job> = jobs.iter().filter(|j| j.dialect == *dialect).collect();
        let kinds: &[Kind] = match own[0].sample == PEN_SAMPLE {
            true => &pen::KINDS,
            false => &words::KINDS,
        };
        for kind in kinds {
            assert_eq!(
                kind.1 == Loses::Nothing,
                EXEMPT.contains(&kind.0),
                "{}",
                kind.0
            );
            // What is not harmful is planted for the table alone.
            let wanted = if kind.1 == Loses::Nothing {
                wanted / 4
            } else {
                wanted
            };
            plant(kind, &own, wanted, &mut table);
        }
        swap_programs(&own, wanted, &mut table);
    }
    table.print();
    table
}

/// The number of each kind in each dialect is a whole number in the environment: `./test mutants` sets it. A twentieth without it.
#[test]
fn mutants_are_caught_slow() {
    let wanted = std::env::var("GRAINWAY_MUTANTS").ok();
    let wanted: usize = wanted.map_or(1, |w| w.parse().expect("a whole number"));
    let table = run(wanted, wanted > 1);
    assert!(
        table.planted >= 80 * wanted,
        "only {} mutants were planted",
        table.planted
    );
    assert!(table.missed.is_empty(), "{:#?}", table.missed);
}
