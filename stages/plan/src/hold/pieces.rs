//! What holds each piece of a board: the best that fits that piece. Tabs where there is room for them; else a skin under it, where Z
//! zero is on the bed; else screws through it, where the job allows them; else bridges to a neighbour that is held; else nothing, and
//! the piece is named with what can be done.

use super::board::Board;
use super::decided::Decided;
use super::tabs::{self, Planner, TabPlan};
use super::{
    CLEAR_MM, HoldSettings, Later, bridges, cut_key, outline_cuts, pilots, raised, skins, tab_top,
    through,
};
use crate::profile_moves::profile_moves;
use grainway_pipeline::doc::ZZero;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::stage::{Cx, Stop};
use grainway_pipeline::work::{HandWork, Hold, HoldKind, PieceHold, Setup, Work};
use std::collections::{BTreeMap, BTreeSet};

/// Decides for every piece of the board and gives it the moves that this takes.
#[expect(
    clippy::too_many_arguments,
    reason = "one call, each argument of another kind"
)]
pub(super) fn plan(
    work: &Work,
    board: &Board<'_>,
    setup: &mut Setup,
    settings: &HoldSettings,
    later: &mut Later<'_>,
    holds: &mut Vec<Hold>,
    findings: &mut Vec<Finding>,
    cx: &Cx<'_>,
) -> Result<(), Stop> {
    let on_bed = setup.z.zero == ZZero::Bed;
    if settings.skin && !on_bed {
        findings.push(skin_on_top(setup, settings));
    }
    let mut planner = Planner::new(settings);
    let mut decided = Vec::new();
    // Why tabs do not hold a piece, by its index.
    let mut why: BTreeMap<usize, String> = BTreeMap::new();
    for i in 0..board.len() {
        cx.check()?;
        decided.push(match planner.piece(board, i, setup) {
            TabPlan::NoOutline => Decided::Uncut,
            _ if settings.skin && on_bed => Decided::Skin,
            TabPlan::None { why: reason } => {
                why.insert(i, reason);
                Decided::Open
            }
            TabPlan::Tabs { chosen, weak } => {
                findings.extend(weak.map(|weak| tabs_weak(board, setup, i, &weak)));
                Decided::Tabs(chosen)
            }
        });
    }
    if !why.is_empty() {
        if on_bed {
            skins::under(board, settings, &mut decided);
        }
        // Nothing wider than a pilot may mark its place in a piece.
        let pilots = !super::can_pause(work, cx) || pilots::drills(work, setup, settings);
        let allowed = |i: usize| pilots && work.documents.screws_through(&board.variant(i).part);
        for (i, hold) in decided.iter_mut().enumerate() {
            if matches!(hold, Decided::Open)
                && allowed(i)
                && let Some(places) = through::places(board, i, settings, holds)
            {
                *hold = Decided::Screws(places);
            }
        }
        bridges::to_neighbours(board, setup, settings, &mut planner, &mut decided);
        findings.extend(told(board, setup, settings, &decided, &why));
    }
    for (i, decided) in decided.iter().enumerate() {
        apply(board, setup, settings, i, decided, later, holds);
    }
    Ok(())
}

/// Gives a piece its hold.
fn apply(
    board: &Board<'_>,
    setup: &mut Setup,
    settings: &HoldSettings,
    i: usize,
    decided: &Decided,
    later: &mut Later<'_>,
    holds: &mut Vec<Hold>,
) {
    let clear = setup.z.highest_top() + CLEAR_MM;
    let variant = board.variant(i);
    let names = |of: &BTreeSet<usize>| -> Vec<String> {
        of.iter()
            .map(|j| setup.placements[*j].piece.clone())
            .collect()
    };
    let hold = match decided {
        Decided::Uncut | Decided::Open => PieceHold::Nothing,
        Decided::Tabs(_) => PieceHold::Tabs,
        Decided::Skin => PieceHold::Skin(settings.skin_thickness.mm()),
        Decided::Screws(_) => PieceHold::Screws,
        Decided::Bridges(_, to) => PieceHold::Bridges(names(to)),
    };
    let top = tab_top(&setup.z, settings.tab_height.mm());
    let target = &mut setup.placements[i];
    target.hold = hold;
    match decided {
        Decided::Uncut | Decided::Open => {}
        Decided::Tabs(spots) | Decided::Bridges(spots, _) => {
            let Some(laid) = top.and_then(|top| tabs::lay(board, i, top, spots)) else {
                return;
            };
            target.tabs = laid.tabs;
            for (step, cut, tabs) in laid.cuts {
                let key = cut_key(variant, step, &tabs, 0.0);
                let moves = later.keyed(key, || profile_moves(cut, &tabs, clear));
                target.tabbed.push((step, moves));
            }
        }
        Decided::Skin => {
            let skin = settings.skin_thickness.mm();
            for (step, cut) in outline_cuts(variant) {
                let raised = raised(cut, setup.z.lowest_underside() + skin);
                let key = cut_key(variant, step, &[], skin);
                let moves = later.keyed(key, || profile_moves(&raised, &[], clear));
                target.tabbed.push((step, moves));
            }
        }
        Decided::Screws(places) => holds.extend(places.iter().map(|at| Hold {
            of: Some((target.piece.clone(), OUTLINE.to_string())),
            ..super::first::screw(settings, HoldKind::PieceScrew, *at)
        })),
    }
}

/// The feature that a piece's hold belongs to.
const OUTLINE: &str = "outline";

/// Says that a floor cannot be had with zero on top.
fn skin_on_top(setup: &Setup, settings: &HoldSettings) -> Finding {
    Finding::new(
        &code::SKIN_ON_TOP,
        format!(
            "A floor of {:.2} mm under outlines was asked for with Z zero on top of the wood; its thickness would vary by {:.2} mm with the wood's.",
            settings.skin_thickness.mm(),
            setup.z.thickest - setup.z.thinnest
        ),
    )
    .setup(&setup.id)
}

fn tabs_weak(board: &Board<'_>, setup: &Setup, i: usize, weak: &str) -> Finding {
    let piece = &setup.placements[i].piece;
    Finding::new(&code::TABS_WEAK, format!("Tabs of {piece}: {weak}"))
        .part(&board.variant(i).part)
        .setup(&setup.id)
}

/// Says of the pieces that tabs alone do not hold what holds each of them; of a piece that nothing holds, what can be done.
fn told(
    board: &Board<'_>,
    setup: &Setup,
    settings: &HoldSettings,
    decided: &[Decided],
    why: &BTreeMap<usize, String>,
) -> Vec<Finding> {
    let name = |i: usize| setup.placements[i].piece.as_str();
    // Each kind of hold with the pieces that have it; a piece beside one that has no room for tabs may share its skin.
    let mut kinds: BTreeMap<&str, (String, Vec<String>)> = BTreeMap::new();
    let mut findings = Vec::new();
    for (i, decided) in decided.iter().enumerate() {
        let (kind, what) = match decided {
            Decided::Uncut | Decided::Tabs(_) => continue,
            Decided::Open => {
                let reason = why.get(&i).map_or("", String::as_str);
                findings.push(not_held(board, setup, i, reason));
                continue;
            }
            Decided::Skin => (
                "skin",
                format!(
                    "A skin of {:.2} mm is left under each of them, and under no other piece, to be cut with a knife or trimmed",
                    settings.skin_thickness.mm()
                ),
            ),
            Decided::Screws(_) => (
                "screws",
                "Screws through each of them hold it, as the job allows".to_string(),
            ),
            Decided::Bridges(..) => (
                "bridges",
                "Bridges of waste join each of them to its neighbours, to be sawn apart"
                    .to_string(),
            ),
        };
        let to = match decided {
            Decided::Bridges(_, to) => {
                let to: Vec<&str> = to.iter().map(|j| name(*j)).collect();
                format!(", to {}", to.join(" and "))
            }
            _ => String::new(),
        };
        let reason = match why.get(&i) {
            Some(reason) => reason.as_str(),
            None => "its kerf lies on the kerf of a piece that has a skin",
        };
        let (_, pieces) = kinds.entry(kind).or_insert_with(|| (what, Vec::new()));
        pieces.push(format!("{}{to} ({reason})", name(i)));
    }
    findings.extend(kinds.into_values().map(|(what, pieces)| {
        Finding::new(
            &code::NO_ROOM_FOR_TABS,
            format!("Tabs cannot hold {}. {what}.", pieces.join("; ")),
        )
        .setup(&setup.id)
    }));
    findings
}

/// Says of one piece that nothing holds it.
fn not_held(board: &Board<'_>, setup: &Setup, i: usize, why: &str) -> Finding {
    let piece = &setup.placements[i].piece;
    let skin = match setup.z.zero {
        ZZero::Bed => "a skin would not join it to wood that is held",
        ZZero::Top => "a skin needs Z zero on the bed",
    };
    Finding::new(
        &code::NOT_HELD,
        format!(
            "Nothing holds {piece}. Tabs: {why}. {}, screws through it are not allowed or find no place, and no neighbour that is held lies near enough for a bridge.",
            capital(skin)
        ),
    )
    .part(&board.variant(i).part)
    .setup(&setup.id)
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string());
    first.unwrap_or_default() + letters.as_str()
}

/// What the holds leave for hands: one line for each part and kind of hold, with the pieces.
pub(super) fn hand_work(work: &Work, setups: &[Setup]) -> Vec<HandWork> {
    let mut lines: BTreeMap<(&str, String, &str), Vec<String>> = BTreeMap::new();
    for p in setups.iter().flat_map(|s| &s.placements) {
        let Some(variant) = work.variant(&p.variant) else {
            continue;
        };
        let (what, why) = match &p.hold {
            PieceHold::Nothing => continue,
            PieceHold::Tabs => (
                "cut the tabs and trim the edge".to_string(),
                "tabs hold it while its outline is cut",
            ),
            PieceHold::Skin(thickness) => (
                format!("cut the skin of {thickness:.2} mm with a knife and trim the edge"),
                "a skin holds it while its outline is cut",
            ),
            PieceHold::Screws => (
                "fill the holes of the hold-down screws".to_string(),
                "screws through it hold it while its outline is cut",
            ),
            PieceHold::Bridges(to) => (
                format!(
                    "saw it from {} at the bridges and trim the edge",
                    to.join(" and ")
                ),
                "bridges to its neighbours hold it while its outline is cut",
            ),
        };
        let line = lines.entry((&variant.part, what, why));
        line.or_default().push(p.piece.clone());
    }
    let line = |((part, what, why), pieces): ((&str, String, &str), Vec<String>)| HandWork {
        part: part.to_string(),
        count: pieces.len() as u32,
        feature: Some(OUTLINE.to_string()),
        at: None,
        what,
        why: why.to_string(),
        pieces,
    };
    lines.into_iter().map(line).collect()
}
