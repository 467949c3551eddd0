//! Sabotage of plans and of texts: every one is caught on every sample, by `safe` alone where wood or people are at risk, with
//! the feature and the line named.
//!
//! Plans are tampered with by test stages put into the chain, texts by a dialect that wraps the sample's own.

use grainway_pipeline::chain::{Chain, KeepNothing, Stages};
use grainway_pipeline::dialect::{
    Dialect, DialectAbout, DialectError, ProgramHead, Reader, Written,
};
use grainway_pipeline::doc::Length;
use grainway_pipeline::finding::Finding;
use grainway_pipeline::motion::{Item, Move};
use grainway_pipeline::stage::{Cx, Description, Dialects, Stage, Stop, Typed, TypedStage};
use grainway_pipeline::work::{CornerAnswer, Entry, Operation, Setup, Work};
use grainway_tests::{Loaded, Made, NoSettings, SAMPLES, load, make, run, sample};
use std::io::Write;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

/// A stage that changes the work by a function.
struct Tamper<F> {
    name: &'static str,
    gives: &'static [&'static str],
    change: F,
}

impl<F: Fn(&mut Work) + Send + Sync> TypedStage for Tamper<F> {
    type Settings = NoSettings;
    fn describe(&self) -> Description {
        Description {
            name: self.name,
            version: 1,
            summary: "Tampers.",
            needs: &[],
            gives: self.gives,
            spoils: &[],
        }
    }
    fn run(&self, work: &mut Work, _: &NoSettings, _: &Cx<'_>) -> Result<(), Stop> {
        (self.change)(work);
        Ok(())
    }
}

pub fn tamper(
    name: &'static str,
    change: impl Fn(&mut Work) + Send + Sync + 'static,
) -> Arc<dyn Stage> {
    Arc::new(Typed::new(Tamper {
        name,
        gives: &[],
        change,
    }))
}

/// The same by a stage that says that it gives the parts.
pub fn tamper_with_parts(
    name: &'static str,
    change: impl Fn(&mut Work) + Send + Sync + 'static,
) -> Arc<dyn Stage> {
    Arc::new(Typed::new(Tamper {
        name,
        gives: &["parts"],
        change,
    }))
}

/// The built-in chain with stages put in after the named ones.
pub fn chain(extra: Vec<(&str, Arc<dyn Stage>)>) -> Stages {
    let mut stages = Stages::default();
    for stage in grainway_stages::built_in().iter() {
        stages.add(stage.clone());
        for (after, more) in &extra {
            if *after == stage.about().name {
                stages.add(more.clone());
            }
        }
    }
    stages
}

fn planned(name: &str, extra: Vec<(&str, Arc<dyn Stage>)>) -> Made {
    run(
        load(&sample(name)).unwrap(),
        &chain(extra),
        &grainway_dialects::built_in(),
    )
    .unwrap()
}

/// `safe` did not pass, and one of its findings names a line and a feature; for a rapid or a screw, a line and the place; for what is
/// not legal and for the spindle, the line.
fn caught_by_safe(made: &Made, what: &str) {
    let failed: Vec<_> = made
        .work
        .programs
        .iter()
        .filter_map(|p| p.safe.as_ref())
        .filter(|v| !v.passed)
        .collect();
    assert!(
        !failed.is_empty(),
        "{what}: safe passed; findings: {:#?}",
        made.errors()
    );
    let findings: Vec<_> = failed.iter().flat_map(|v| &v.findings).collect();
    let placed = |f: &Finding| {
        let of_no_feature = ["verify-rapid", "verify-hold"].contains(&f.code.as_str());
        // An illegal line has no meaning, and a wait no place.
        let of_no_place = ["verify-text", "verify-spindle"].contains(&f.code.as_str());
        f.feature.is_some() || f.part.is_some() || of_no_place || (of_no_feature && f.at.is_some())
    };
    assert!(
        findings.iter().any(|f| f.line.is_some() && placed(f)),
        "{what}: no finding names feature and line: {findings:#?}"
    );
}

fn caught_by_plan(made: &Made, what: &str) {
    assert!(
        made.work
            .programs
            .iter()
            .any(|p| p.as_planned.as_ref().is_some_and(|v| !v.passed)),
        "{what}: as-planned passed"
    );
}

/// A job planned and written as if its cutters' diameters were off by `by` mm, then verified with the true ones: offsets come out half of
/// that wrong.
pub fn with_wrong_diameter(loaded: Loaded, by: f64) -> Made {
    let stages = grainway_stages::built_in();
    let dialects = grainway_dialects::built_in();
    let spool = grainway_pipeline::stage::MemorySpool::default();
    let cx = Cx {
        files: loaded.files.as_ref(),
        dialects: &dialects,
        spool: &spool,
        progress: &grainway_pipeline::stage::Silent,
        cancel: &Default::default(),
    };
    let mut work = loaded.work;
    let documents = work.documents.clone();
    for cutter in work.documents.shop.cutters.values_mut() {
        cutter.diameter = Length::from_mm(cutter.diameter.mm() + by);
    }
    let names = stages.iter().map(|s| s.about().name.to_string());
    let planning: Vec<String> = names.take_while(|n| n != "verify").collect();
    let verify = planning.len();
    let mut shorter = work.clone();
    shorter.documents.job.chain = Some(planning);
    let chain = Chain::plan(&stages, &shorter).unwrap();
    chain.run(&mut work, 0, &cx, &mut KeepNothing).unwrap();
    work.documents = documents;
    let whole = Chain::plan(&stages, &Work::new(work.documents.clone())).unwrap();
    whole.run(&mut work, verify, &cx, &mut KeepNothing).unwrap();
    Made::new(work, spool, loaded.files)
}

#[test]
fn offsets_five_hundredths_off() {
    for name in SAMPLES {
        for by in [0.1, -0.1] {
            caught_by_safe(
                &with_wrong_diameter(load(&sample(name)).unwrap(), by),
                &format!("{name}, diameter {by:+}"),
            );
        }
    }
}

#[test]
fn an_island_lost() {
    for name in SAMPLES {
        let kept: Arc<Mutex<Vec<Vec<_>>>> = Arc::default();
        let again = kept.clone();
        let made = planned(
            name,
            vec![
                (
                    "relief",
                    tamper("lose-islands", move |work| {
                        let mut kept = kept.lock().unwrap();
                        for feature in work.variants.iter_mut().flat_map(|v| &mut v.features) {
                            kept.push(std::mem::take(&mut feature.islands));
                        }
                        assert!(
                            kept.iter().any(|i| !i.is_empty()),
                            "the sample has an island"
                        );
                    }),
                ),
                (
                    "profile",
                    tamper("put-islands-back", move |work| {
                        let mut kept = again
                            .lock()
                            .unwrap()
                            .drain(..)
                            .collect::<Vec<_>>()
                            .into_iter();
                        for feature in work.variants.iter_mut().flat_map(|v| &mut v.features) {
                            feature.islands = kept.next().unwrap();
                        }
                    }),
                ),
            ],
        );
        caught_by_safe(&made, name);
    }
}

#[test]
fn reliefs_five_per_cent_large() {
    for name in SAMPLES {
        let made = planned(
            name,
            vec![(
                "relief",
                tamper("large-reliefs", |work| {
                    let mut lobes = 0;
                    for feature in work.variants.iter_mut().flat_map(|v| &mut v.features) {
                        for corner in &mut feature.corners {
                            let at = corner.at;
                            if let CornerAnswer::Lobe { centre, radius, .. } = &mut corner.answer {
                                // A lobe of a radius 5 % larger that still passes through its corner reaches 10 % of the radius
                                // farther; the cutter is what it is, so its centre moves out by 5 % of the radius.
                                let inwards = (*centre - at).normalized().unwrap();
                                *centre = *centre - inwards * (0.05 * *radius);
                                lobes += 1;
                            }
                        }
                    }
                    assert!(lobes > 0, "the sample has reliefs");
                }),
            )],
        );
        caught_by_safe(&made, name);
    }
}

/// Takes the longest closed run at the lowest height out of the moves.
fn drop_level(moves: &[Move]) -> Option<Vec<Move>> {
    let mut at = grainway_geom::Point3::default();
    let mut ends = Vec::new();
    for m in moves {
        at = m.end(at);
        ends.push(at);
    }
    let floor = ends.iter().map(|p| p.z).fold(f64::INFINITY, f64::min);
    let mut best: Option<(usize, usize, f64)> = None;
    for i in 0..moves.len() {
        if (ends[i].z - floor).abs() > 1e-6 {
            continue;
        }
        let mut length = 0.0;
        for j in i + 1..moves.len() {
            if (ends[j].z - floor).abs() > 1e-6 || matches!(moves[j], Move::Rapid { .. }) {
                break;
            }
            length += ends[j].xy().distance(ends[j - 1].xy());
            if ends[j].xy().distance(ends[i].xy()) < 1e-6 && best.is_none_or(|(_, _, l)| length > l)
            {
                best = Some((i, j, length));
            }
        }
    }
    let (i, j, _) = best?;
    Some(moves[..=i].iter().chain(&moves[j + 1..]).copied().collect())
}

#[test]
fn an_offset_level_dropped() {
    for name in SAMPLES {
        let made = planned(
            name,
            vec![(
                "pocket",
                tamper("drop-level", |work| {
                    let mut dropped = 0;
                    for v in 0..work.variants.len() {
                        for s in 0..work.variants[v].steps.len() {
                            let step = &work.variants[v].steps[s];
                            if step.operation != Operation::Clear {
                                continue;
                            }
                            if let Some(moves) = drop_level(&work.moves(&step.moves)) {
                                let blob = work.blobs.put_moves(&moves);
                                work.variants[v].steps[s].moves = blob;
                                dropped += 1;
                            }
                        }
                    }
                    assert!(dropped > 0, "the sample clears in loops");
                }),
            )],
        );
        caught_by_safe(&made, name);
    }
}

#[test]
fn the_wrong_cutter() {
    for name in SAMPLES {
        let made = planned(
            name,
            vec![(
                "sequence",
                tamper("wrong-cutter", |work| {
                    let cutters: Vec<(String, f64)> = work
                        .documents
                        .shop
                        .cutters
                        .iter()
                        .map(|(id, c)| (id.clone(), c.diameter.mm()))
                        .collect();
                    let setup = &mut work.setups[0];
                    let entry = setup
                        .order
                        .iter_mut()
                        .rev()
                        .find(|e| matches!(e, Entry::Cutter(_)))
                        .unwrap();
                    let Entry::Cutter(id) = entry else {
                        unreachable!()
                    };
                    let other = cutters.iter().find(|(other, _)| other != id).unwrap();
                    *id = other.0.clone();
                }),
            )],
        );
        caught_by_safe(&made, name);
    }
}

/// Changes a text; `None` when it finds nothing to change.
type Edit = dyn Fn(&[Line], &ProgramHead) -> Option<Vec<String>> + Send + Sync;

/// Writes what another dialect writes, edited. Its reader is the other's.
struct Edited {
    about: DialectAbout,
    inner: Dialects,
    edit: Arc<Edit>,
    done: Arc<AtomicBool>,
}

impl Dialect for Edited {
    fn about(&self) -> &DialectAbout {
        &self.about
    }
    fn write(
        &self,
        head: &ProgramHead,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
    ) -> Result<Written, DialectError> {
        let mut bytes = Vec::new();
        let written = self
            .inner
            .get(&self.about.name)
            .unwrap()
            .write(head, items, &mut bytes)?;
        let text = String::from_utf8(bytes).unwrap();
        let lines = Line::all(&text);
        match (self.edit)(&lines, head) {
            Some(edited) => {
                self.done.store(true, Ordering::Relaxed);
                out.write_all((edited.join("\n") + "\n").as_bytes())?;
            }
            None => out.write_all(text.as_bytes())?,
        }
        Ok(written)
    }
    fn reader(&self) -> Option<&dyn Reader> {
        self.inner.get(&self.about.name).unwrap().reader()
    }
}

/// A line of a text in block-and-word form, with the state after it.
#[derive(Clone, Debug)]
pub struct Line {
    pub text: String,
    /// Words outside comments.
    words: Vec<(char, f64)>,
    /// Motion in force: 0 to 3, or 81 and the like.
    motion: i32,
    /// Coordinates in mm after the line; NaN while unknown.
    at: [f64; 3],
    /// mm in one unit of the text.
    unit: f64,
}

impl Line {
    fn all(text: &str) -> Vec<Line> {
        let (mut motion, mut at, mut unit) = (0, [f64::NAN; 3], 1.0);
        text.lines()
            .map(|line| {
                let mut bare = String::new();
                let mut depth = 0;
                for c in line.chars() {
                    match c {
                        '(' => depth += 1,
                        ')' => depth -= 1,
                        ';' => break,
                        _ if depth == 0 => bare.push(c),
                        _ => {}
                    }
                }
                let mut words = Vec::new();
                let mut rest = bare.as_str();
                while let Some(start) = rest.find(|c: char| c.is_ascii_alphabetic()) {
                    let letter = rest[start..].chars().next().unwrap().to_ascii_uppercase();
                    let number = &rest[start + 1..];
                    let end = number
                        .find(|c: char| c.is_ascii_alphabetic())
                        .unwrap_or(number.len());
                    if let Ok(value) = number[..end].trim().parse::<f64>() {
                        words.push((letter, value));
                    }
                    rest = &number[end..];
                }
                let machine = words.contains(&('G', 53.0));
                for &(letter, value) in &words {
                    match (letter, value) {
                        ('G', 20.0) => unit = 25.4,
                        ('G', 21.0) => unit = 1.0,
                        ('G', v) if v <= 3.0 || (v > 72.0 && v < 90.0) => motion = v as i32,
                        ('X', v) if !machine => at[0] = v * unit,
                        ('Y', v) if !machine => at[1] = v * unit,
                        ('Z', v) => at[2] = if machine { f64::NAN } else { v * unit },
                        _ => {}
                    }
                }
                Line {
                    text: line.to_string(),
                    words,
                    motion,
                    at,
                    unit,
                }
            })
            .collect()
    }
    fn word(&self, letter: char) -> Option<f64> {
        self.words.iter().find(|w| w.0 == letter).map(|w| w.1)
    }
    fn cuts(&self) -> bool {
        (1..=3).contains(&self.motion) && ['X', 'Y', 'Z'].iter().any(|l| self.word(*l).is_some())
    }
    /// The line with the number of one word replaced (the value in mm).
    fn with(&self, letter: char, mm: f64) -> String {
        let start = self.text.find(letter).unwrap();
        let rest = &self.text[start + 1..];
        let end = rest
            .find(|c: char| c.is_ascii_alphabetic() || c == '(' || c == ' ')
            .unwrap_or(rest.len());
        format!(
            "{}{letter}{:.4}{}",
            &self.text[..start],
            mm / self.unit,
            &rest[end..]
        )
    }
}

pub fn texts(lines: &[Line]) -> Vec<String> {
    lines.iter().map(|l| l.text.clone()).collect()
}

/// The lowest height that is cut at.
fn lowest(lines: &[Line]) -> f64 {
    lines
        .iter()
        .filter(|l| l.cuts())
        .map(|l| l.at[2])
        .fold(f64::INFINITY, f64::min)
}

/// Runs a sample with its texts edited; `None` when nothing was there to edit.
fn edited(
    name: &str,
    edit: impl Fn(&[Line], &ProgramHead) -> Option<Vec<String>> + Send + Sync + 'static,
) -> Option<Made> {
    edited_job(load(&sample(name)).unwrap(), edit)
}

/// The same for a job already loaded.
pub fn edited_job(
    loaded: Loaded,
    edit: impl Fn(&[Line], &ProgramHead) -> Option<Vec<String>> + Send + Sync + 'static,
) -> Option<Made> {
    edited_in(grainway_dialects::built_in(), loaded, edit)
}

/// The same in a machine's dialect that is not built in.
pub fn edited_in(
    inner: Dialects,
    loaded: Loaded,
    edit: impl Fn(&[Line], &ProgramHead) -> Option<Vec<String>> + Send + Sync + 'static,
) -> Option<Made> {
    let dialect = loaded.work.documents.machine().unwrap().1.dialect.clone();
    let about = inner.get(&dialect).unwrap().about().clone();
    let done = Arc::new(AtomicBool::new(false));
    let mut dialects = grainway_dialects::built_in();
    dialects.add(Arc::new(Edited {
        about,
        inner,
        edit: Arc::new(edit),
        done: done.clone(),
    }));
    let made = run(loaded, &grainway_stages::built_in(), &dialects).unwrap();
    done.load(Ordering::Relaxed).then_some(made)
}

fn edited_and_caught(
    what: &str,
    edit: impl Fn(&[Line], &ProgramHead) -> Option<Vec<String>> + Send + Sync + Clone + 'static,
) {
    for name in SAMPLES {
        let made = edited(name, edit.clone())
            .unwrap_or_else(|| panic!("{what}: nothing to edit in {name}"));
        caught_by_safe(&made, &format!("{what}, {name}"));
        caught_by_plan(&made, &format!("{what}, {name}"));
    }
}

#[test]
fn arc_directions_swapped() {
    edited_and_caught("arcs swapped", |lines, _| {
        let has = lines
            .iter()
            .any(|l| l.word('G').is_some_and(|g| g as i32 == 2 || g as i32 == 3));
        has.then(|| {
            let swap = |l: &Line| match l
                .words
                .iter()
                .find(|w| w.0 == 'G' && (w.1 as i32 == 2 || w.1 as i32 == 3))
            {
                Some(w) if w.1 < 2.5 => l.text.replacen("G2", "G3", 1).replacen("G02", "G03", 1),
                Some(_) => l.text.replacen("G3", "G2", 1).replacen("G03", "G02", 1),
                None => l.text.clone(),
            };
            lines.iter().map(swap).collect()
        })
    });
}

#[test]
fn a_move_a_tenth_off() {
    // Towards the part or away from it, one of the two axes: each is off the plan, and on every sample some cut wood or leave some.
    for name in SAMPLES {
        let mut safe_said_no = 0;
        for (letter, axis, by) in [('X', 0, 0.1), ('X', 0, -0.1), ('Y', 1, 0.1), ('Y', 1, -0.1)] {
            let made = edited(name, move |lines, _| {
                let floor = lowest(lines);
                let found = lines.iter().enumerate().rev().find(|(i, l)| {
                    *i > 0
                        && l.motion == 1
                        && l.cuts()
                        && l.word(letter).is_some()
                        && (l.at[2] - floor).abs() < 1e-6
                        && (lines[i - 1].at[axis] - l.at[axis]).abs() > 20.0
                        && lines[i - 1].motion == 1
                })?;
                let mut out = texts(lines);
                out[found.0] = found.1.with(letter, found.1.at[axis] + by);
                Some(out)
            })
            .unwrap_or_else(|| panic!("no straight cut in {name}"));
            caught_by_plan(&made, &format!("{letter}{by:+} in {name}"));
            safe_said_no += usize::from(
                made.work
                    .programs
                    .iter()
                    .any(|p| p.safe.as_ref().is_some_and(|v| !v.passed)),
            );
        }
        assert!(
            safe_said_no > 0,
            "{name}: a tenth of a millimetre into the wood is never seen"
        );
    }
}

#[test]
fn a_pass_dropped() {
    edited_and_caught("pass dropped", |lines, _| {
        let floor = lowest(lines);
        let deepest: Vec<usize> = (0..lines.len())
            .filter(|&i| {
                lines[i].cuts()
                    && (lines[i].at[2] - floor).abs() < 1e-6
                    && lines[i].word('Z').is_none()
            })
            .collect();
        (!deepest.is_empty()).then(|| {
            let kept = lines
                .iter()
                .enumerate()
                .filter(|(i, _)| !deepest.contains(i));
            kept.map(|(_, l)| l.text.clone()).collect()
        })
    });
}

#[test]
fn one_millimetre_deeper() {
    for name in SAMPLES {
        let plain = planned(name, vec![]);
        let features = plain.work.variants.iter().flat_map(|v| &v.features);
        let floors: Vec<f64> = features.filter(|f| !f.through).map(|f| f.floor).collect();
        let made = edited(name, move |lines, _| {
            let at_floor = |l: &Line| {
                l.cuts()
                    && l.word('Z').is_some()
                    && floors.iter().any(|f| (f - l.at[2]).abs() < 0.002)
            };
            let target = lines.iter().find(|l| at_floor(l))?.at[2];
            let deeper = |l: &Line| match at_floor(l) && (l.at[2] - target).abs() < 0.002 {
                true => l.with('Z', target - 1.0),
                false => l.text.clone(),
            };
            Some(lines.iter().map(deeper).collect())
        });
        let made = made.unwrap_or_else(|| panic!("no floor in the text of {name}"));
        caught_by_safe(&made, &format!("deeper, {name}"));
        caught_by_plan(&made, &format!("deeper, {name}"));
    }
}

#[test]
fn tabs_cut_through() {
    for name in SAMPLES {
        let plain = planned(name, vec![]);
        let tops: Vec<f64> = plain
            .work
            .setups
            .iter()
            .flat_map(|s| &s.placements)
            .flat_map(|p| p.tabs.iter().chain(p.waste.iter().flat_map(|w| &w.tabs)))
            .map(|t| t.top)
            .collect();
        if tops.is_empty() {
            continue;
        }
        let made = edited(name, move |lines, _| {
            let floor = lowest(lines);
            let mut changed = false;
            let out = lines
                .iter()
                .map(|l| match l.word('Z') {
                    Some(_) if l.cuts() && tops.iter().any(|t| (l.at[2] - t).abs() < 0.02) => {
                        changed = true;
                        l.with('Z', floor)
                    }
                    _ => l.text.clone(),
                })
                .collect();
            changed.then_some(out)
        });
        let made = made.unwrap_or_else(|| panic!("no tab in the text of {name}"));
        caught_by_safe(&made, &format!("tabs cut, {name}"));
        assert!(
            made.work.findings.iter().any(|f| f.code.contains("loose")
                || f.code.contains("held")
                || f.code.contains("tab")),
            "{name}: {:#?}",
            made.errors()
        );
    }
}

#[test]
fn a_rapid_through_wood() {
    edited_and_caught("rapid through wood", |lines, _| {
        // The rapids up between a cut and the next sideways rapid stay down at the cut's height.
        let rises = |l: &Line| l.motion == 0 && l.word('Z').is_some() && l.word('X').is_none();
        let sideways = |l: &Line| l.motion == 0 && (l.word('X').is_some() || l.word('Y').is_some());
        let (up, over) = (1..lines.len()).rev().find_map(|i| {
            let over = (i..lines.len()).find(|&k| sideways(&lines[k]))?;
            let known = lines[i..over].iter().all(|l| l.at[2].is_finite());
            let far = (lines[over].at[0] - lines[i - 1].at[0])
                .hypot(lines[over].at[1] - lines[i - 1].at[1])
                > 20.0;
            (rises(&lines[i]) && lines[i - 1].cuts() && lines[i - 1].motion > 0 && known && far)
                .then_some((i, over))
        })?;
        let depth = lines[up - 1].at[2];
        let mut out = texts(lines);
        for k in (up..over).filter(|&k| rises(&lines[k])) {
            out[k] = lines[k].with('Z', depth);
        }
        Some(out)
    });
}

#[test]
fn the_wrong_unit() {
    let swapped = |lines: &[Line], _: &ProgramHead| {
        let has = lines.iter().any(|l| {
            l.words
                .iter()
                .any(|w| *w == ('G', 20.0) || *w == ('G', 21.0))
        });
        has.then(|| {
            let swap = |t: &str| {
                if t.contains("G21") {
                    t.replace("G21", "G20")
                } else {
                    t.replace("G20", "G21")
                }
            };
            lines.iter().map(|l| swap(&l.text)).collect()
        })
    };
    for name in SAMPLES {
        let made = edited(name, swapped).unwrap_or_else(|| panic!("nothing to edit in {name}"));
        assert!(
            !made.ready() && !made.with_code("verify-unit").is_empty(),
            "{name}: {:#?}",
            made.errors()
        );
        caught_by_plan(&made, &format!("wrong unit, {name}"));
    }
}

/// Neither a wait nor a start is a coordinate; a cut in front of which one lacks is found in every sample all the same.
#[test]
fn a_spindle_that_is_not_waited_for() {
    type Edit = fn(&[Line]) -> Option<Vec<String>>;
    let edits: [(&str, Edit); 2] = [
        ("waits deleted", |lines| {
            let waits = |l: &&Line| l.words.contains(&('G', 4.0));
            let kept = lines.iter().filter(|l| !waits(l)).map(|l| l.text.clone());
            lines.iter().any(|l| waits(&l)).then(|| kept.collect())
        }),
        ("stopped and started again at a step", |lines| {
            let mut starts = (0..lines.len()).filter(|i| lines[*i].word('S').is_some());
            let again = starts.nth(1)?;
            // Behind the step's own wait, so that none follows.
            let waits = |i: &usize| lines[*i].words.contains(&('G', 4.0));
            let wait = (again..lines.len()).find(waits)?;
            let mut out = texts(lines);
            out[wait] = format!("{}\nM5\n{}", out[wait], out[again]);
            Some(out)
        }),
    ];
    for (what, edit) in edits {
        for name in SAMPLES {
            let made = edited(name, move |lines, _| edit(lines))
                .unwrap_or_else(|| panic!("{what}: nothing to edit in {name}"));
            caught_by_safe(&made, &format!("{what}, {name}"));
            assert!(
                !made.with_code("verify-spindle").is_empty(),
                "{what}, {name}"
            );
        }
    }
}

#[test]
fn a_pause_deleted() {
    let mut tried = 0;
    for name in SAMPLES {
        let Some(made) = edited(name, |lines, _| {
            let has = lines.iter().any(|l| l.word('M') == Some(0.0));
            has.then(|| {
                lines
                    .iter()
                    .filter(|l| l.word('M') != Some(0.0))
                    .map(|l| l.text.clone())
                    .collect()
            })
        }) else {
            continue;
        };
        // Other pauses are for whoever stands at the machine to take or leave.
        let pauses = |s: &Setup| s.order.iter().any(|e| matches!(e, Entry::Pause { .. }));
        if !made.work.setups.iter().any(pauses) {
            continue;
        }
        tried += 1;
        caught_by_safe(&made, &format!("pause deleted, {name}"));
    }
    assert!(tried > 0, "some sample pauses for its screws");
}

#[test]
fn a_rapid_below_a_screw_head() {
    for name in SAMPLES {
        // Heads that stand 4 mm above the wood, and rapids 2 mm above it: high enough for the wood, too low for the heads.
        let standing = || {
            let mut loaded = load(&sample(name)).unwrap();
            let settings = serde_json::json!({ "heads-sunk": false, "head-height": "4mm" });
            let all = &mut loaded.work.documents.job.settings;
            all.insert("hold".to_string(), settings);
            loaded
        };
        let plain = make(standing()).unwrap();
        let there = |h: &&grainway_pipeline::work::Hold| h.after_pause.is_none();
        let mut setups = plain.work.setups.iter();
        let found = setups.find_map(|s| Some((s, s.holds.iter().find(there)?)));
        let (setup, hold) = found.unwrap_or_else(|| panic!("{name} has no holds"));
        let (head_at, low) = (hold.at, setup.z.highest_top() + 2.0);
        // Whether a way leads over a head is the order's business: one there and back is put in.
        let made = edited_job(standing(), move |lines, head| {
            let high = |l: &Line| {
                l.motion == 0 && l.word('Z').is_some() && (l.at[2] - head.safe_z).abs() < 0.02
            };
            let first = lines.iter().position(|l| high(l) && l.at[0].is_finite())?;
            let mut edited = Vec::new();
            for (i, l) in lines.iter().enumerate() {
                edited.push(match high(l) {
                    true => l.with('Z', low),
                    false => l.text.clone(),
                });
                if i == first {
                    let rapid =
                        |x: f64, y: f64| format!("G0 X{:.4} Y{:.4}", x / l.unit, y / l.unit);
                    edited.push(rapid(head_at.x, head_at.y));
                    edited.push(rapid(l.at[0], l.at[1]));
                }
            }
            Some(edited)
        });
        let made = made.unwrap_or_else(|| panic!("no safe height in the text of {name}"));
        caught_by_safe(&made, &format!("low rapids, {name}"));
        caught_by_plan(&made, &format!("low rapids, {name}"));
    }
}
