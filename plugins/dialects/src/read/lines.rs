//! The lines and words of a data file, read as a controller would read them: what they do besides what their place is for.
//!
//! Programs are made of them, so a slip here would spoil every program: a word that the language does not have stops the reading of
//! each text at its first line, and a move or a stop at each workingstep happens where no plan has it.

use super::expression::Parameters;
use super::{Words, lex, read};
use crate::file::{Centre, DialectFile, SpindleSpeed};
use crate::template;
use grainway_pipeline::dialect::{Action, ReadMove};
use grainway_pipeline::doc::Problem;
use std::ops::ControlFlow;

/// Faults of a text that is only a part of a program, or whose blocks get their end when they are written.
const OF_A_PART: [&str; 3] = ["no-end", "percent", "no-block-end"];
/// Faults of lines in front of which a program has said its modes.
const BEFORE_MODES: [&str; 2] = ["no-unit", "no-distance-mode"];
/// The fault of a line that is divided when it is written.
const DIVIDED: &str = "line-too-long";

/// A place of a data file that holds lines.
struct Place<'a> {
    pointer: &'static str,
    lines: &'a [String],
    /// Names that its lines may use.
    known: &'static [&'static str],
    /// What its lines must not do, in words.
    forbidden: fn(&Action) -> Option<&'static str>,
}

/// What is wrong with the lines and words of a data file.
pub(super) fn problems(file: &DialectFile) -> Vec<Problem> {
    let words = Words::of(file);
    let mut found = unknown_words(file, &words);
    for place in places(file) {
        found.extend(misplaced(file, &words, &place));
    }
    found.extend(retract_that_does_not(file, &words));
    found
}

const MOVES: &str = "moves the cutter; only the plan's own moves may";
const CHANGES: &str = "changes the cutter; that belongs into cutter-change";
const STOPS: &str = "stops the program; pauses are the plan's own";
const ENDS: &str = "ends the program; that belongs into end";
const SWITCHES: &str =
    "switches the spindle: at a workingstep it turns already, and is not waited for again";

/// At the start and in front of a cutter's length.
fn sets_modes_only(action: &Action) -> Option<&'static str> {
    match action {
        Action::Rapid | Action::Line | Action::Arc { .. } => Some(MOVES),
        Action::CutterChange => Some(CHANGES),
        Action::Pause { .. } => Some(STOPS),
        Action::End => Some(ENDS),
        _ => None,
    }
}

/// At a workingstep, which goes on with a spindle that turns.
fn leaves_the_spindle(action: &Action) -> Option<&'static str> {
    match action {
        Action::Spindle => Some(SWITCHES),
        other => sets_modes_only(other),
    }
}

fn changes_the_cutter(action: &Action) -> Option<&'static str> {
    match action {
        Action::Line | Action::Arc { .. } => Some(MOVES),
        Action::End => Some(ENDS),
        _ => None,
    }
}

fn ends_the_program(action: &Action) -> Option<&'static str> {
    match action {
        Action::Line | Action::Arc { .. } => Some(MOVES),
        Action::CutterChange => Some(CHANGES),
        _ => None,
    }
}

fn places(file: &DialectFile) -> [Place<'_>; 6] {
    fn place<'a>(
        pointer: &'static str,
        lines: &'a [String],
        known: &'static [&'static str],
        forbidden: fn(&Action) -> Option<&'static str>,
    ) -> Place<'a> {
        Place {
            pointer,
            lines,
            known,
            forbidden,
        }
    }
    let head: &[&str] = &["name", "number"];
    let block: &[&str] = &["units", "name", "number"];
    let changes = file.cutter_change.as_deref().unwrap_or_default();
    let length = file.length_offset.as_slice();
    [
        place("/start", &file.start, head, sets_modes_only),
        place("/safe-start", &file.safe_start, block, sets_modes_only),
        place("/step-start", &file.step_start, block, leaves_the_spindle),
        place(
            "/cutter-change",
            changes,
            &["cutter", "units"],
            changes_the_cutter,
        ),
        place("/length-offset", length, &["cutter"], leaves_the_spindle),
        place("/end", &file.end, head, ends_the_program),
    ]
}

/// What the lines of a place do that they must not, and what of them cannot be read.
fn misplaced(file: &DialectFile, words: &Words, place: &Place<'_>) -> Vec<Problem> {
    // A line that cannot be filled in is told elsewhere.
    let filled: Vec<String> = place
        .lines
        .iter()
        .map(|line| template::sample(line, place.known, file).unwrap_or_default())
        .collect();
    let mut found: Vec<Problem> = Vec::new();
    for event in events(file, words, &filled.join("\n")) {
        let at = usize::try_from(event.line).unwrap_or(0).saturating_sub(1);
        let Some(text) = filled.get(at) else { continue };
        let what = match &event.action {
            Action::Fault { code, .. } if OF_A_PART.contains(code) => continue,
            Action::Fault { code, .. }
                if *code == DIVIDED && DialectFile::divides(place.pointer) =>
            {
                continue;
            }
            Action::Fault { message, .. } => unreadable(text, message),
            other => match (place.forbidden)(other) {
                Some(what) => format!("\"{text}\" {what}"),
                None => continue,
            },
        };
        let pointer = match place.pointer {
            "/length-offset" => place.pointer.to_string(),
            list => format!("{list}/{at}"),
        };
        // The first thing that is wrong with a line is enough.
        if found.last().is_none_or(|p| p.pointer.as_str() != pointer) {
            found.push(Problem::new(pointer, what));
        }
    }
    found
}

fn unreadable(text: &str, message: &str) -> String {
    format!(
        "\"{text}\" cannot be read back: {message}. Correct it, or name the word in `language` where the controller knows it"
    )
}

fn events(file: &DialectFile, words: &Words, text: &str) -> Vec<ReadMove> {
    let mut events = Vec::new();
    let _ = read(file, words, &mut text.as_bytes(), &mut |m| {
        events.push(m);
        ControlFlow::Continue(())
    });
    events
}

/// The words for the machine's top must lift, or nothing is known of where the cutter stands.
fn retract_that_does_not(file: &DialectFile, words: &Words) -> Option<Problem> {
    let lines = file.retract_full.as_ref()?;
    let filled = |line: &str| template::sample(line, &["safe"], file).unwrap_or_default();
    let lifting: Vec<String> = lines.iter().map(|line| filled(line)).collect();
    let text = lifting.join("\n");
    // A move behind it shows what it leaves in force.
    let behind = filled(&format!("{} Z{{{{ safe }}}}", file.motion.rapid));
    let events = events(file, words, &format!("{text}\n{behind}"));
    let last = lifting.len() as u64 + 1;
    let fault = |behind: bool| {
        let here = events.iter().filter(move |e| (e.line == last) == behind);
        here.filter_map(|e| match &e.action {
            Action::Fault { code, message } => Some((*code, message)),
            _ => None,
        })
        .find(|(code, _)| !OF_A_PART.contains(code) && !BEFORE_MODES.contains(code))
    };
    let what = match (fault(false), fault(true)) {
        (Some((_, message)), _) => unreadable(&text, message),
        (None, Some(("unknown-position", _))) => {
            format!("\"{text}\" leaves coordinates relative: say G90 behind it")
        }
        (None, _) if events.iter().any(|e| e.action == Action::RetractFull) => return None,
        (None, _) => format!(
            "\"{text}\" does not lift to the machine's top, as G53 G0 Z0. does, or G28 where `home` says so"
        ),
    };
    Some(Problem::new("/retract-full", what))
}

/// Words that stand alone in the file, and letters that the writer puts before numbers, against what the reader takes.
fn unknown_words(file: &DialectFile, words: &Words) -> Vec<Problem> {
    let mut used: Vec<(&str, Option<&str>)> = vec![
        ("/units/mm", file.units.mm.as_deref()),
        ("/units/inch", file.units.inch.as_deref()),
        ("/motion/rapid", Some(&file.motion.rapid)),
        ("/motion/line", Some(&file.motion.line)),
    ];
    let mut letters = vec![
        ('X', "places"),
        ('Y', "places"),
        ('Z', "heights"),
        ('F', "feeds"),
    ];
    if let Some(arcs) = &file.arcs {
        used.push(("/motion/clockwise", Some(&file.motion.clockwise)));
        let backwards = &file.motion.counter_clockwise;
        used.push(("/motion/counter-clockwise", Some(backwards)));
        match arcs.centre {
            Centre::Radius => letters.push(('R', "radii of arcs")),
            _ => letters.extend([('I', "centres of arcs"), ('J', "centres of arcs")]),
        }
    }
    if let Some(cycles) = &file.cycles {
        used.extend([
            ("/cycles/drill", Some(cycles.drill.as_str())),
            ("/cycles/peck", cycles.peck.as_deref()),
            ("/cycles/end", Some(&cycles.end)),
            ("/cycles/return-low", cycles.return_low.as_deref()),
        ]);
        letters.push(('R', "heights of cycles"));
        if cycles.peck.is_some() {
            letters.push(('Q', "pecks"));
        }
    }
    if let Some(spindle) = &file.spindle {
        used.extend([
            ("/spindle/clockwise", Some(spindle.clockwise.as_str())),
            (
                "/spindle/counter-clockwise",
                spindle.counter_clockwise.as_deref(),
            ),
            ("/spindle/stop", Some(&spindle.stop)),
        ]);
        if spindle.speed != SpindleSpeed::Panel {
            letters.push(('S', "spindle speeds"));
        }
    }
    if let Some(dwell) = &file.dwell {
        used.push(("/dwell/word", Some(&dwell.word)));
        letters.push((dwell.letter, "waits"));
    }
    if file.lines.block_numbers.is_some() {
        letters.push(('N', "block numbers"));
    }
    used.push(("/pause/word", file.pause.as_ref().map(|p| p.word.as_str())));
    let unread = used.into_iter().filter_map(|(pointer, text)| {
        let text = text?;
        let mut block = lex::Block::default();
        let read = lex::lex(
            text.as_bytes(),
            file,
            words,
            &mut Parameters::default(),
            &mut block,
        );
        let fault = read.err()?;
        Some(Problem::new(pointer, unreadable(text, &fault.message)))
    });
    let mut found: Vec<Problem> = unread.collect();
    for (letter, what) in letters {
        if letter.is_ascii_uppercase() && !words.letter(letter.to_ascii_lowercase() as u8) {
            found.push(Problem::new(
                "/language/letters",
                format!("must hold {letter}, with which {what} are written"),
            ));
        }
    }
    found
}
