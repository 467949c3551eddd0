//! Writes every setup's programs through the machine's dialect: one a setup, or one a cutter where cutters are changed by hand between
//! programs or the dialect cannot say the change.

use crate::program_items::{Can, Changes, by_hand, changes, items};
use grainway_pipeline::chain::nearest;
use grainway_pipeline::dialect::{
    Dialect, DialectAbout, DialectError, Numbering, ProgramHead, Written,
};
use grainway_pipeline::doc::{CutterChangeBy, FormerNight, Machine, Pointer, SpindleSwitch, ZZero};
use grainway_pipeline::finding::{Finding, code, in_unit};
use grainway_pipeline::stage::{Cx, Description, Fault, SpoolId, Stop, TypedStage};
use grainway_pipeline::tolerance::SAME_LEVEL_MM;
use grainway_pipeline::work::{Entry, Program, Setup, SetupKind, StepView, Work, step_view};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Settings of the post stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct PostSettings {
    /// Lines of the shop's own for the head of every program, e.g. where the work zero is marked. Written as comments where the
    /// dialect has them.
    pub remarks: Vec<String>,
}

/// The post stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Post;

/// What stands in the head of every program; the sheet has the whole caution block.
const CAUTION: [&str; 3] = [
    "Checked against the parts, not run on your machine.",
    "Before cutting: local safety rules and the instructions of the makers of machine and cutter override this text. Confirm unit, zero, cutter, length and stock, and that every hold is as the sheet shows.",
    "Run first above the work or at reduced feed, with a hand on the stop. Stay with the machine.",
];

impl TypedStage for Post {
    type Settings = PostSettings;
    fn describe(&self) -> Description {
        Description {
            name: "post",
            version: 5,
            summary: "Writes every setup's programs through the machine's dialect.",
            needs: &["ordered"],
            gives: &["programs"],
            spoils: &["verified", "reported"],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        work.programs.clear();
        let Some((id, machine)) = work
            .documents
            .machine()
            .map(|(i, m)| (i.to_string(), m.clone()))
        else {
            return Ok(());
        };
        let Some(dialect) = cx.dialects.get(&machine.dialect) else {
            let near = nearest(&machine.dialect, cx.dialects.names())
                .map(|n| format!("; did you mean \"{n}\"?"))
                .unwrap_or_else(|| {
                    let names: Vec<&str> = cx.dialects.names().collect();
                    format!("; installed are {}", names.join(", "))
                });
            work.find(
                Finding::new(
                    &code::UNKNOWN_NAME,
                    format!("No dialect is called \"{}\"{near}", machine.dialect),
                )
                .pointer(Pointer::shop().step("machines").step(id).step("dialect")),
            );
            return Ok(());
        };
        let (mut programs, mut findings) = (Vec::new(), Vec::new());
        findings.extend(changes_between(work, &machine, dialect.about()));
        findings.extend(left_to_controller(&machine, dialect.about()));
        let mut all = Vec::new();
        for plan in plans(work, &machine, dialect)? {
            cx.check()?;
            all.extend(divided(
                work,
                &machine,
                dialect,
                settings,
                plan,
                cx,
                &mut findings,
            )?);
        }
        number(work, &mut all, dialect.about());
        for (done, plan) in all.iter().enumerate() {
            cx.check()?;
            cx.progress.at("post", done, all.len());
            match write(work, &machine, dialect, settings, plan, cx)? {
                Ok(program) => {
                    if dialect.about().two_heights() {
                        findings.push(at_controller(work, &machine, plan, &program.name));
                    }
                    programs.push(program);
                }
                Err(finding) => findings.push(finding),
            }
        }
        work.programs = programs;
        work.findings.extend(findings);
        Ok(())
    }
}

/// The shop has another way of changing cutters than the dialect can say, and there are cutters to change.
fn changes_between(work: &Work, machine: &Machine, about: &DialectAbout) -> Option<Finding> {
    let wanted = match machine.cutter_change {
        CutterChangeBy::Hand => return None,
        CutterChangeBy::Machine => "changes cutters by the machine",
        CutterChangeBy::Pause => "changes cutters in pauses",
    };
    let several = |s: &Setup| {
        let cutters = s.order.iter().filter(|e| matches!(e, Entry::Cutter(_)));
        cutters.count() > 1
    };
    let differs = changes(machine.cutter_change, about) == Changes::Before;
    let finding = || {
        let name = &about.name;
        let text = format!(
            "The shop {wanted}, which dialect {name} cannot say: each program has one cutter, to be put in by hand before it."
        );
        let id = work.documents.machine().map_or("", |(id, _)| id);
        Finding::new(&code::CHANGES_BETWEEN, text).pointer(
            Pointer::shop()
                .step("machines")
                .step(id)
                .step("cutter-change"),
        )
    };
    (differs && work.setups.iter().any(several)).then(finding)
}

/// What the controller does by itself, which no text says and no check of a text sees.
fn left_to_controller(machine: &Machine, about: &DialectAbout) -> Vec<Finding> {
    let name = &about.name;
    let by_machine = changes(machine.cutter_change, about) == Changes::Machine;
    let lengths = (by_machine && about.length_by_change).then(|| {
        format!(
            "In dialect {name} the cutter change itself calls each cutter's length from the controller's table: measure every cutter into the table; the programs have no word for it."
        )
    });
    let corners = about.corner_tolerance_mm.map(|tolerance| {
        format!(
            "In dialect {name} the controller rounds corners, by at most {} mm where it is set so: set it. The programs were checked without it.",
            mm(tolerance)
        )
    });
    let speeds = about.speed_by_hand.then(|| {
        format!(
            "In dialect {name} no word says the spindle's speed: set it at the panel to what the pause or the remark before a start says."
        )
    });
    let told = lengths.into_iter().chain(corners).chain(speeds);
    told.map(|text| Finding::new(&code::LEFT_TO_CONTROLLER, text))
        .collect()
}

/// A program that is to be written.
#[derive(Clone)]
struct Plan {
    /// Index of the setup.
    setup: usize,
    entries: (usize, usize),
    /// In running order from 1, and the file's name without its ending: both once it is known how many there are.
    number: u32,
    name: String,
    cutter: Option<String>,
}

/// The plan, or the plans that it is divided into where the dialect's files are shorter. Each begins with a workingstep, or with the
/// pause or the cutter change before it, so each is whole in itself.
fn divided(
    work: &Work,
    machine: &Machine,
    dialect: &dyn Dialect,
    settings: &PostSettings,
    plan: Plan,
    cx: &Cx<'_>,
    findings: &mut Vec<Finding>,
) -> Result<Vec<Plan>, Stop> {
    let most = dialect.about().most_lines;
    if most == 0 {
        return Ok(vec![plan]);
    }
    let lines = |entries: (usize, usize)| -> Result<Option<u64>, Stop> {
        let part = Plan {
            entries,
            ..plan.clone()
        };
        Ok(match write(work, machine, dialect, settings, &part, cx)? {
            Ok(program) => Some(program.written.lines),
            Err(_) => None,
        })
    };
    let order = &work.setups[plan.setup].order;
    // A part may begin at a step, or at what stands before it and belongs to it.
    let belongs = |i: usize| matches!(order[i], Entry::Step(_));
    let mut cuts: Vec<usize> = (plan.entries.0 + 1..plan.entries.1)
        .filter(|i| belongs(*i - 1))
        .collect();
    cuts.push(plan.entries.1);
    let mut parts = Vec::new();
    let mut from = plan.entries.0;
    while from < plan.entries.1 {
        // The longest part that fits: lines grow with every step, so halving finds it.
        let ends: Vec<usize> = cuts.iter().copied().filter(|c| *c > from).collect();
        let (mut good, mut bad) = (0, ends.len());
        if lines((from, ends[bad - 1]))?.is_none_or(|n| n <= most) {
            good = bad;
        } else {
            bad -= 1;
        }
        while good < bad {
            let middle = (good + bad).div_ceil(2);
            match lines((from, ends[middle - 1]))? {
                Some(n) if n > most => bad = middle - 1,
                _ => good = middle,
            }
        }
        if good == 0 {
            let step = order[from..ends[0]].iter().find_map(|e| match e {
                Entry::Step(s) => step_view(work, &work.setups[plan.setup], *s),
                _ => None,
            });
            let label = step.map_or_else(String::new, |s| s.label());
            findings.push(
                Finding::new(
                    &code::PROGRAM_NOT_WRITTEN,
                    format!(
                        "Step {label} alone has more lines than the {most} that a file of dialect {} may have.",
                        dialect.about().name
                    ),
                )
                .setup(&work.setups[plan.setup].id)
                .remedy("Choose a dialect of longer files or with arcs, or a cutter that needs fewer passes."),
            );
            return Ok(Vec::new());
        }
        parts.push((from, ends[good - 1]));
        from = ends[good - 1];
    }
    if parts.len() == 1 {
        return Ok(vec![plan]);
    }
    let named = parts.into_iter().enumerate().map(|(i, entries)| Plan {
        entries,
        name: format!("{}-part-{}", plan.name, i + 1),
        ..plan.clone()
    });
    Ok(named.collect())
}

/// All programs in running order.
fn plans(work: &Work, machine: &Machine, dialect: &dyn Dialect) -> Result<Vec<Plan>, Stop> {
    let whole = changes(machine.cutter_change, dialect.about()) != Changes::Before;
    let mut plans = Vec::new();
    for (index, setup) in work.setups.iter().enumerate() {
        for (i, entry) in setup.order.iter().enumerate() {
            if let Entry::Step(step) = entry
                && step_view(work, setup, *step).is_none()
            {
                return Err(Fault::new(format!(
                    "entry {i} of the order of {} names a step that does not exist",
                    setup.id
                ))
                .into());
            }
        }
        for entries in ranges(setup, whole) {
            let cutter = only_cutter(&setup.order[entries.0..entries.1]);
            let name = match &cutter {
                Some(c) if !whole => format!("{}-{}", file_word(&setup.id), file_word(c)),
                _ => file_word(&setup.id),
            };
            let parts = match dialect.about().two_heights() {
                true => by_setting(work, setup, entries),
                false => vec![entries],
            };
            let several = parts.len() > 1;
            for (i, entries) in parts.into_iter().enumerate() {
                plans.push(Plan {
                    setup: index,
                    entries,
                    number: 0,
                    name: match several {
                        true => format!("{name}-setting-{}", i + 1),
                        false => name.clone(),
                    },
                    cutter: cutter.clone(),
                });
            }
        }
    }
    Ok(plans)
}

/// Numbers the programs in running order and names their files. Those of a setup that a former night had too keep their numbers as far as
/// the order allows.
fn number(work: &Work, plans: &mut [Plan], about: &DialectAbout) {
    let former = work.documents.former();
    let digits = plans.len().to_string().len().max(2);
    let digits = digits.max(former.map_or(0, FormerNight::digits));
    let numbering = about.numbering.unwrap_or(Numbering::USUAL);
    let mut next = numbering.first;
    let (mut setup, mut k) = (usize::MAX, 0);
    for plan in plans {
        k = if plan.setup == setup { k + 1 } else { 0 };
        setup = plan.setup;
        let before = former.and_then(|f| f.number(&work.setups[setup].id, k));
        plan.number = next.max(before.unwrap_or(next));
        next = plan.number.saturating_add(1);
        plan.name = match about.numbered_files {
            true => format!("{:01$}", plan.number, usize::from(numbering.digits)),
            false => format!("{:0digits$}-{}", plan.number, plan.name),
        };
    }
}

/// The parts of a setup's order that become one program each.
fn ranges(setup: &Setup, whole: bool) -> Vec<(usize, usize)> {
    let order = &setup.order;
    if !order.iter().any(|e| matches!(e, Entry::Step(_))) {
        return Vec::new();
    }
    if whole {
        return vec![(0, order.len())];
    }
    let changes = (0..order.len()).filter(|i| matches!(order[*i], Entry::Cutter(_)));
    // What stands before the first cutter belongs to its program.
    let mut starts: Vec<usize> = changes.collect();
    match starts.first_mut() {
        Some(first) => *first = 0,
        None => starts.push(0),
    }
    let ends = starts[1..].iter().copied().chain([order.len()]);
    starts.iter().copied().zip(ends).collect()
}

/// The parts of a range whose steps have the same depth, feed downwards and spindle speed: a person sets these at the controller,
/// before a program starts.
fn by_setting(work: &Work, setup: &Setup, entries: (usize, usize)) -> Vec<(usize, usize)> {
    let mut starts = vec![entries.0];
    let mut present: Option<[f64; 3]> = None;
    for i in entries.0..entries.1 {
        let Some(view) = view_of(work, setup, i) else {
            continue;
        };
        let setting = [view.lowest(work), view.plunge, view.rpm];
        let differs = |p: [f64; 3]| (0..3).any(|k| (p[k] - setting[k]).abs() > SAME_LEVEL_MM);
        if present.is_some_and(differs) {
            starts.push(i);
        }
        present = Some(setting);
    }
    let ends = starts[1..].iter().copied().chain([entries.1]);
    starts.iter().copied().zip(ends).collect()
}

fn view_of<'a>(work: &'a Work, setup: &'a Setup, entry: usize) -> Option<StepView<'a>> {
    match setup.order.get(entry) {
        Some(Entry::Step(step)) => step_view(work, setup, *step),
        _ => None,
    }
}

/// What the person sets at a controller that knows only "up" and "down".
fn at_controller(work: &Work, machine: &Machine, plan: &Plan, name: &str) -> Finding {
    let setup = &work.setups[plan.setup];
    let steps: Vec<StepView<'_>> = (plan.entries.0..plan.entries.1)
        .filter_map(|i| view_of(work, setup, i))
        .collect();
    let depth = steps.iter().map(|v| v.lowest(work));
    let depth = depth.fold(f64::INFINITY, f64::min);
    let plunge = steps.iter().map(|v| v.plunge).fold(f64::INFINITY, f64::min);
    let length = |v: f64| format!("{} mm", mm(v));
    let mut text = format!(
        "{name}: before it starts, set at the controller: pen up {}, pen down {}, downwards at {} mm/min",
        length(setup.safe_z),
        length(depth),
        mm(plunge)
    );
    if let (SpindleSwitch::Hand, Some(step)) = (machine.spindle, steps.first()) {
        text.push_str(&format!(
            "; switch the spindle on at {} rev/min and wait until it is at speed",
            step.rpm.round()
        ));
    }
    Finding::new(&code::SET_AT_CONTROLLER, text + ".").setup(&setup.id)
}

/// The cutter, when there is one for the whole range.
fn only_cutter(order: &[Entry]) -> Option<String> {
    let mut cutters = order.iter().filter_map(|e| match e {
        Entry::Cutter(id) => Some(id),
        _ => None,
    });
    let first = cutters.next()?;
    cutters.all(|c| c == first).then(|| first.clone())
}

/// A name made fit for files: letters, digits, point, underscore, hyphen.
fn file_word(name: &str) -> String {
    name.chars()
        .map(|c| match c {
            'a'..='z' | 'A'..='Z' | '0'..='9' | '.' | '_' | '-' => c,
            _ => '-',
        })
        .collect()
}

fn mm(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0 + 0.0
}

/// The jobs of a night whose pieces lie there, in the order of their ids.
fn jobs_on(work: &Work, setup: &Setup) -> Vec<String> {
    let pieces = setup.placements.iter();
    let jobs = pieces.filter_map(|p| work.documents.job_of(&p.piece));
    let jobs: BTreeSet<&str> = jobs.map(|(job, _)| job.id.as_str()).collect();
    jobs.into_iter().map(str::to_string).collect()
}

/// Lines for the person who opens the text.
fn remarks(work: &Work, can: Can, settings: &PostSettings, plan: &Plan) -> Vec<String> {
    let setup = &work.setups[plan.setup];
    let documents = &work.documents;
    let mut lines = vec![
        match documents.night {
            None => format!("job: {}", documents.job.name),
            Some(_) => format!("jobs: {}", jobs_on(work, setup).join(", ")),
        },
        format!("code: {}, as on the setup sheet", work.code_of(setup)),
        match setup.kind {
            SetupKind::Lines => format!("setup: {}, locating lines", setup.id),
            _ => format!("setup: {}, stock {}", setup.id, setup.stock),
        },
    ];
    let unit = documents.machine().map(|(_, m)| m.program_unit);
    let unit = unit.unwrap_or_default();
    let mut cutter = |begins: &str, id: &str, by: &str| {
        if let Some(c) = documents.cutter(id) {
            let (number, label) = (c.number, in_unit(&c.label(), unit));
            lines.push(format!(
                "{begins}cutter {id} (number {number}): {label}{by}"
            ));
        }
    };
    let hand = by_hand(work, setup, plan.entries, can);
    let by = match can.changes {
        Changes::Machine => "",
        Changes::Pause | Changes::Before => ", put in by hand; set Z zero anew",
    };
    let first = match can.changes {
        Changes::Pause => hand.first.as_ref(),
        Changes::Machine | Changes::Before => plan.cutter.as_ref(),
    };
    if let Some(id) = first {
        cutter("", id, by);
    }
    for (pause, id) in hand.later() {
        // The sheet's pauses have numbers of their own.
        cutter(&format!("at stop {} of the program: ", pause + 1), id, by);
    }
    let z = match setup.z.zero {
        ZZero::Bed => "Z0 on the spoilboard",
        ZZero::Top => "Z0 on the upper face of the wood",
    };
    let corner = match (setup.kind, &setup.lines) {
        (SetupKind::Lines, _) => "where the lower left corner of the blanks is to lie".to_string(),
        (_, Some(lines)) => format!("as for {lines}, at the lower left corner of the wood"),
        _ => "at the lower left corner of the wood".to_string(),
    };
    lines.push(format!("zero: X0 Y0 {corner}, {z}"));
    let (thin, thick) = (mm(setup.z.thinnest), mm(setup.z.thickest));
    lines.push(if !setup.side.is_flat() {
        in_unit(
            &format!("piece: {} up, {thick} mm high", setup.side.word()),
            unit,
        )
    } else if setup.kind == SetupKind::Lines {
        "wood: none lies there yet, the lines go into the spoilboard".to_string()
    } else if thin < thick {
        in_unit(&format!("wood: {thin} to {thick} mm thick"), unit)
    } else {
        in_unit(&format!("wood: {thick} mm thick"), unit)
    });
    lines.extend(settings.remarks.iter().cloned());
    lines.extend(CAUTION.map(String::from));
    lines
}

/// Writes one program into the spool. The outer error ends the chain; the inner one is the user's.
fn write(
    work: &Work,
    machine: &Machine,
    dialect: &dyn Dialect,
    settings: &PostSettings,
    plan: &Plan,
    cx: &Cx<'_>,
) -> Result<Result<Program, Finding>, Stop> {
    let setup = &work.setups[plan.setup];
    let can = Can::of(Some(machine), dialect.about());
    let head = ProgramHead {
        name: plan.name.clone(),
        number: plan.number,
        remarks: remarks(work, can, settings, plan),
        unit: machine.program_unit,
        safe_z: setup.safe_z,
    };
    let mut outcome: Option<Result<Written, DialectError>> = None;
    let spooled = cx.spool.write(&mut |out| {
        let mut items = items(work, setup, plan.entries, can);
        let result = dialect.write(&head, &mut items, out);
        let io = match &result {
            Ok(_) => Ok(()),
            Err(e) => Err(std::io::Error::other(e.to_string())),
        };
        outcome = Some(result);
        io
    });
    let name = format!("{}{}", plan.name, dialect.about().ending);
    match (outcome, spooled) {
        // A plugin's dialect that was told to stop says so as an error.
        (Some(Err(_)), _) if cx.cancel.is_set() => Err(Stop::Cancelled),
        (Some(Ok(written)), Ok(SpoolId(sha256))) => Ok(Ok(Program {
            name,
            setup: setup.id.clone(),
            entries: plan.entries,
            number: plan.number,
            text: SpoolId(sha256.clone()),
            sha256,
            written,
            cutter: plan.cutter.clone(),
            as_planned: None,
            safe: None,
            unverified: false,
        })),
        (
            Some(Err(DialectError::Unsupported {
                dialect,
                what,
                remedy,
            })),
            _,
        ) => {
            let text = format!("Dialect {dialect} cannot express {what}; {name} was not written.");
            let mut remedy = remedy;
            if let Some(first) = remedy.get(..1) {
                remedy = format!("{}{}.", first.to_uppercase(), &remedy[1..]);
            }
            Ok(Err(Finding::new(&code::PROGRAM_NOT_WRITTEN, text)
                .setup(&setup.id)
                .remedy(remedy)))
        }
        (Some(Err(DialectError::Plan(what))), _) => {
            Err(Fault::new(format!("{name}: the plan cannot be written: {what}")).into())
        }
        (Some(Err(DialectError::Plugin(what))), _) => {
            Err(Fault::new(format!("{name} could not be written: {what}")).into())
        }
        (_, Err(e)) | (Some(Err(DialectError::Io(e))), _) => {
            Err(Fault::new(format!("{name} could not be spooled: {e}")).into())
        }
        (None, Ok(_)) => {
            Err(Fault::new(format!("{name}: the spool did not ask for the text")).into())
        }
    }
}
