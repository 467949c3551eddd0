//! Locating lines: shallow grooves in the spoilboard that dimensioned blanks are laid in.
//!
//! A setup of their own cuts them before any blank lies there, with Z zero on the spoilboard wherever the machine has it otherwise.
//! All blanks of a size lie in the same lines, one after the other.

use super::{Locate, PLACE, PlaceSettings, empty_setup};
use crate::feeds::{feeds, wood_of};
use grainway_geom::{Contour, Point, point};
use grainway_pipeline::doc::{Cutter, CutterKind, ZZero};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::work::{BlobId, Operation, Setup, SetupKind, SetupStep, Work, ZFrame};

/// Spoilboard that must stay under the lines, mm (common practice, no source).
const LEAST_SPOILBOARD_MM: f64 = 3.0;
/// Lines at the near and left sides alone stop this short of the blank's far corners, mm.
const SHORT_OF_CORNER_MM: f64 = 20.0;
/// Height over the spoilboard down to which the cutter comes fast, mm (docs/practice.md, section Heights).
const APPROACH_MM: f64 = 10.0;
/// Blanks whose sides differ by no more than this lie in the same lines, mm: a person feels no such play.
const SAME_SIZE_MM: f64 = 0.05;
/// Before the blank lies there the spoilboard is all there is.
const SPOILBOARD: ZFrame = ZFrame {
    zero: ZZero::Bed,
    thinnest: 0.0,
    mean: 0.0,
    thickest: 0.0,
};

/// The lines of a job, each for one size of blank.
#[derive(Default)]
pub(super) struct Lines {
    cut: Vec<(Setup, Vec<Move>)>,
}

impl Lines {
    /// The id of the setup that cuts the lines for this blank; `None` where stops are wanted or lines cannot be had.
    pub(super) fn lay(
        &mut self,
        work: &Work,
        settings: &PlaceSettings,
        travel: Point,
        blank: &Setup,
        part: &str,
        findings: &mut Vec<Finding>,
    ) -> Option<String> {
        if settings.locate != Locate::Lines {
            return None;
        }
        let same = |s: &Setup| {
            (s.size.x - blank.size.x).abs() <= SAME_SIZE_MM
                && (s.size.y - blank.size.y).abs() <= SAME_SIZE_MM
        };
        if let Some((known, _)) = self.cut.iter().find(|(s, _)| same(s)) {
            return Some(known.id.clone());
        }
        let (step, moves) = match step(work, settings, travel, blank)? {
            Ok(cut) => cut,
            Err(finding) => {
                findings.push(finding.part(part));
                return None;
            }
        };
        let mut setup = empty_setup(SetupKind::Lines, &blank.stock, blank.size, SPOILBOARD);
        setup.id = format!("lines-{}", self.cut.len() + 1);
        setup.own_steps.push(step);
        let id = setup.id.clone();
        self.cut.push((setup, moves));
        Some(id)
    }
}

/// The blanks in order, those of the same lines together and right behind them.
pub(super) fn before_their_blanks(work: &mut Work, lines: Lines, blanks: Vec<Setup>) -> Vec<Setup> {
    let (laid, mut setups): (Vec<Setup>, Vec<Setup>) =
        blanks.into_iter().partition(|b| b.lines.is_some());
    for (mut setup, moves) in lines.cut {
        for step in &mut setup.own_steps {
            step.moves = work.blobs.put_moves(&moves);
        }
        let inside = Some(setup.id.clone());
        setups.push(setup);
        setups.extend(laid.iter().filter(|b| b.lines == inside).cloned());
    }
    setups
}

/// The step that cuts the lines round a blank; an error says why there are none. `None` without a machine or wood, which is an error
/// already.
fn step(
    work: &Work,
    settings: &PlaceSettings,
    travel: Point,
    blank: &Setup,
) -> Option<Result<(SetupStep, Vec<Move>), Finding>> {
    let (_, machine) = work.documents.machine()?;
    let wood = wood_of(&work.documents, &blank.stock)?;
    let depth = settings.line_depth.mm();
    let Some((id, cutter)) = line_cutter(work) else {
        return Some(Err(Finding::new(
            &code::LINES_NEED_CUTTER,
            "Locating lines need an end mill that cuts over its centre, and the shop has none. Stops were planned instead.",
        )));
    };
    if depth > machine.spoilboard.mm() - LEAST_SPOILBOARD_MM {
        return Some(Err(Finding::new(
            &code::SPOILBOARD_THIN,
            format!(
                "Locating lines of {depth:.1} mm leave less than {LEAST_SPOILBOARD_MM:.0} mm of the {:.1} mm spoilboard.",
                machine.spoilboard.mm()
            ),
        )));
    }
    let figures = feeds(cutter, &wood, machine, Operation::LocatingLine);
    let r = cutter.radius_mm();
    let bottom = SPOILBOARD.lowest_underside() - depth;
    let corners = corners(blank.size, r, travel);
    let start = corners[0];
    let mut moves = vec![
        Move::rapid(start.at_z(SAFE_Z)),
        Move::rapid(start.at_z(APPROACH_MM)),
        Move::line(start.at_z(bottom), figures.plunge),
    ];
    moves.extend(
        corners[1..]
            .iter()
            .map(|c| Move::line(c.at_z(bottom), figures.feed)),
    );
    let end = corners[corners.len() - 1];
    moves.push(Move::rapid(end.at_z(SAFE_Z)));
    let step = SetupStep {
        stage: PLACE.to_string(),
        operation: Operation::LocatingLine,
        cutter: id.to_string(),
        rpm: figures.rpm,
        feed: figures.feed,
        plunge: figures.plunge,
        lowest: bottom,
        moves: BlobId(String::new()),
        allowed: corners
            .windows(2)
            .map(|side| (band(side[0], side[1], r), bottom))
            .collect(),
    };
    Some(Ok((step, moves)))
}

/// Where the cutter's centre runs: a radius outside of the blank, so that the groove's inner wall is the blank's edge. Round the
/// whole blank where the machine reaches so far, else along the near and the left side.
fn corners(size: Point, r: f64, travel: Point) -> Vec<Point> {
    let near_left = point(-r, -r);
    let far = size + point(r, r);
    if size.x + 2.0 * r <= travel.x && size.y + 2.0 * r <= travel.y {
        return vec![
            near_left,
            point(far.x, -r),
            far,
            point(-r, far.y),
            near_left,
        ];
    }
    let short = SHORT_OF_CORNER_MM
        .min(size.x / 4.0)
        .min(size.y / 4.0)
        .max(r);
    vec![
        point(-r, size.y - short),
        near_left,
        point(size.x - short, -r),
    ]
}

/// What a cutter of radius `r` sweeps along a side, with square ends.
fn band(a: Point, b: Point, r: f64) -> Contour {
    let min = point(a.x.min(b.x), a.y.min(b.y));
    let max = point(a.x.max(b.x), a.y.max(b.y));
    Contour::rectangle(min - point(r, r), max + point(r, r), 0.0)
}

/// The thinnest end mill that may go straight down.
fn line_cutter(work: &Work) -> Option<(&str, &Cutter)> {
    work.documents
        .shop
        .cutters
        .iter()
        .filter(|(_, c)| c.kind == CutterKind::EndMill && c.centre_cutting)
        .min_by(|(a, c), (b, d)| {
            c.diameter
                .mm()
                .total_cmp(&d.diameter.mm())
                .then_with(|| a.cmp(b))
        })
        .map(|(id, c)| (id.as_str(), c))
}
