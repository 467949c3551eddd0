//! Cuts cutouts and outlines in passes, and says where tabs may sit.
//!
//! Cutouts come before the outline, small ones before large ones. Roughing loops keep an allowance from the wall and visit the
//! reliefs; a finishing loop takes the allowance off, and so gives a deep kerf its room; where there is none, a loop beside does,
//! run once. Moves are made by
//! [`grainway_pipeline::motion::profile_moves`]; holding (tabs, screws, chips) is decided by others, once parts are placed.

mod passes;
mod path;
mod spans;
#[cfg(test)]
pub(crate) mod tests;

use crate::cutters;
use crate::feeds::{Feeds, feeds, wood_of};
use crate::findings;
use crate::profile_moves::profile_moves;
use grainway_geom::{Contour, Notes, Point, Region, SegmentIndex};
use grainway_pipeline::doc::{Cutter, CutterKind, FeatureKind, Flutes, IfUnreachable, Length};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::tolerance::{SAME_LEVEL_MM, VERIFY_MM};
use grainway_pipeline::work::{
    CornerAnswer, CutLoop, Documents, Grain, HandWork, Operation, ProfileCut, SizedFeature,
    Variant, Work, Workingstep,
};
use passes::{Limits, PAST_UP_CUT_MM};
use path::{CentrePath, Slot};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Rapids come down to this much above the highest face, mm.
const CLEAR_MM: f64 = 2.0;
/// A compression cutter's first pass may be as deep as this many diameters to get its up-cut tip under the face.
const FIRST_PASS_DIAMETERS: f64 = 1.0;
/// No more spots of one feature are named than this.
const MOST_SPOTS: usize = 8;

/// Which way round the cutter goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// Against the feed: clockwise on the outside of a part seen from above. Clean, but pulls a light machine along.
    Climb,
    /// With the feed.
    Conventional,
}

/// How the cutter comes into the wood.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Entry {
    /// Sloping down along the path.
    Ramp,
    /// Straight down at the feed for that: for thin wood and cutters that cut in their centre, and for controllers that can do
    /// nothing else.
    Plunge,
}

/// The name of this stage.
const PROFILE: &str = "profile";

/// Settings of the profile stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct ProfileSettings {
    /// The cutter, by id, when neither the feature nor its corners ask for one.
    pub cutter: Option<String>,
    /// How the cutter comes into the wood.
    pub entry: Entry,
    /// Ramp angle, degrees (2 to 5 in hardwood).
    pub ramp_angle: f64,
    /// Which way round roughing goes.
    pub rough: Way,
    /// Which way round finishing goes (and roughing, where there is no finishing).
    pub finish: Way,
    /// Wood left on the walls by roughing and taken by a last loop; 0 for none.
    pub finish_allowance: Length,
    /// Greatest depth of the last pass, which frees the piece.
    pub last_pass: Length,
    /// How far closed passes overlap.
    pub overlap: Length,
    /// Where no finishing loop widens the kerf: below this many diameters of wood it needs room, and is widened.
    pub widen_deeper_than: f64,
    /// By how much such a kerf is widened, once, down to where it gets that deep.
    pub widen_by: Length,
    /// Tabs keep this far from corners.
    pub tab_corner_distance: Length,
    /// Tabs sit only on curves whose radius is at least this many diameters.
    pub tab_curve: f64,
}

impl Default for ProfileSettings {
    fn default() -> Self {
        // Common practice, no source.
        ProfileSettings {
            cutter: None,
            entry: Entry::Ramp,
            ramp_angle: 3.0,
            rough: Way::Conventional,
            finish: Way::Climb,
            finish_allowance: Length::from_mm(0.4),
            last_pass: Length::from_mm(1.5),
            overlap: Length::from_mm(2.0),
            widen_deeper_than: 3.0,
            widen_by: Length::from_mm(0.4),
            tab_corner_distance: Length::from_mm(25.0),
            tab_curve: 4.0,
        }
    }
}

/// The profile stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Profile;

impl TypedStage for Profile {
    type Settings = ProfileSettings;
    fn describe(&self) -> Description {
        Description {
            name: PROFILE,
            version: 4,
            summary: "Cuts cutouts and outlines in passes, and says where tabs may sit.",
            needs: &["corners"],
            gives: &["steps.profile"],
            spoils: &["held", "ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        let whole: &Work = work;
        let made: Vec<Made> = whole
            .variants
            .par_iter()
            .map(|variant| {
                cx.check()?;
                Ok(cut_variant(whole, variant, settings))
            })
            .collect::<Result<_, Stop>>()?;
        for (i, made) in made.into_iter().enumerate() {
            work.variants[i].steps.retain(|s| s.stage != PROFILE);
            for (mut step, moves) in made.steps {
                step.moves = work.blobs.put_moves(&moves);
                work.variants[i].steps.push(step);
            }
            work.findings.extend(made.findings);
            work.hand_work.extend(made.hand_work);
        }
        Ok(())
    }
}

/// What becomes of one variant.
#[derive(Debug, Default)]
struct Made {
    steps: Vec<(Workingstep, Vec<Move>)>,
    findings: Vec<Finding>,
    hand_work: Vec<HandWork>,
}

/// One feature's surroundings.
struct Job<'a> {
    work: &'a Work,
    variant: &'a Variant,
    feature: &'a SizedFeature,
    settings: &'a ProfileSettings,
    cutter_id: String,
    cutter: &'a Cutter,
    feeds: Feeds,
    /// An outline, whose inside is kept.
    keeps_inside: bool,
    grain: bool,
    /// The outline is that of a piece with tenons, as the job describes it.
    tenons: bool,
}

fn cut_variant(work: &Work, variant: &Variant, settings: &ProfileSettings) -> Made {
    let mut made = Made::default();
    let mut order: Vec<&SizedFeature> = variant
        .features
        .iter()
        .filter(|f| matches!(f.kind, FeatureKind::Cutout | FeatureKind::Outline))
        .collect();
    // Inside before outside, small before large.
    order.sort_by(|a, b| {
        let rank = |f: &SizedFeature| (f.kind == FeatureKind::Outline, f.shape.area().abs());
        let ((ao, aa), (bo, ba)) = (rank(a), rank(b));
        ao.cmp(&bo).then(aa.total_cmp(&ba)).then(a.key.cmp(&b.key))
    });
    let mut against: Option<(f64, Point)> = None;
    for feature in order {
        match job(work, variant, feature, settings) {
            Ok((job, notes)) => {
                made.findings.extend(notes);
                if let Some(found) = job.cut(&mut made) {
                    let longer = against.is_none_or(|(l, _)| found.0 > l);
                    let at = if longer {
                        Some(found.1)
                    } else {
                        against.map(|a| a.1)
                    };
                    against = at.map(|at| (found.0 + against.map_or(0.0, |a| a.0), at));
                }
            }
            Err(findings) => made.findings.extend(findings),
        }
    }
    if let Some((length, at)) = against {
        let message = format!(
            "{length:.0} mm of curved edges are cut against the grain, the longest stretch around ({:.1}, {:.1}).",
            at.x, at.y
        );
        made.findings.push(
            Finding::new(&code::AGAINST_GRAIN, message)
                .part(&variant.part)
                .at(at),
        );
    }
    made
}

fn job<'a>(
    work: &'a Work,
    variant: &'a Variant,
    feature: &'a SizedFeature,
    settings: &'a ProfileSettings,
) -> Result<(Job<'a>, Vec<Finding>), Vec<Finding>> {
    let documents = &work.documents;
    let (id, mut notes) = chosen_cutter(documents, variant, feature, settings)?;
    let missing = |what: &str, name: &str| {
        let message = format!("The {what} {name} is not known.");
        vec![findings::about(
            Finding::new(&code::UNKNOWN_NAME, message),
            variant,
            feature,
        )]
    };
    let cutter = documents
        .cutter(&id)
        .ok_or_else(|| missing("cutter", &id))?;
    let (_, machine) = documents.machine().ok_or_else(|| {
        missing(
            "machine",
            documents.job.machine.as_deref().unwrap_or("of the job"),
        )
    })?;
    // An unknown wood is told once, by fit.
    let wood = wood_of(documents, &variant.stock).ok_or_else(Vec::new)?;
    if cutter.kind != CutterKind::EndMill {
        let message = format!(
            "{id} ({}) leaves no square wall; a cut through needs a flat end mill.",
            cutter.label()
        );
        let finding = Finding::new(&code::CUTTER_UNFIT, message);
        return Err(vec![findings::about(finding, variant, feature)]);
    }
    let keeps_inside = feature.kind == FeatureKind::Outline;
    let operation = if keeps_inside {
        Operation::Outline
    } else {
        Operation::Cutout
    };
    let feeds = feeds(cutter, &wood, machine, operation);
    notes.extend(
        feeds
            .finding(&id, cutter, machine)
            .map(|f| findings::about(f, variant, feature)),
    );
    let grain = work
        .part(&variant.part)
        .is_none_or(|p| p.grain == Grain::AlongX);
    let job = Job {
        work,
        variant,
        feature,
        settings,
        cutter_id: id,
        cutter,
        feeds,
        keeps_inside,
        grain,
        tenons: documents.job.parts.iter().any(|p| {
            p.id == variant.part && p.blank.as_ref().is_some_and(|b| !b.tenons.is_empty())
        }),
    };
    Ok((job, notes))
}

/// The cutter that relief decided, else the one asked for or the best the shop has; long enough in any case.
fn chosen_cutter(
    documents: &Documents,
    variant: &Variant,
    feature: &SizedFeature,
    settings: &ProfileSettings,
) -> Result<(String, Vec<Finding>), Vec<Finding>> {
    let Some(id) = &feature.cutter else {
        let in_use: Vec<String> = variant.steps.iter().map(|s| s.cutter.clone()).collect();
        return cutters::choose(
            documents,
            variant,
            feature,
            settings.cutter.as_deref(),
            &in_use,
        )
        .map(|c| (c.cutter, c.findings));
    };
    let about = |f| vec![findings::about(f, variant, feature)];
    let (id, cutter) = cutters::named(documents, id).map_err(|f| about(*f))?;
    match cutters::too_short(id, cutter, cutters::depth_of_cut(variant, feature)) {
        Some(why) => Err(about(Finding::new(&code::CUTTER_TOO_SHORT, why))),
        None => Ok((id.to_string(), Vec::new())),
    }
}

impl Job<'_> {
    fn r(&self) -> f64 {
        self.cutter.radius_mm()
    }
    fn top(&self) -> f64 {
        self.variant.z.highest_top()
    }
    fn about(&self, finding: Finding) -> Finding {
        findings::about(finding, self.variant, self.feature)
    }
    /// Cuts the feature; gives the length of curved edges cut against the grain and a place.
    fn cut(&self, made: &mut Made) -> Option<(f64, Point)> {
        let mut notes = Notes::default();
        let region = self.feature.region();
        let against = match self.slot(&region) {
            Some(slot) => {
                self.cut_slot(&slot, &region, made);
                None
            }
            None => self.cut_walls(&region, made, &mut notes),
        };
        let failed = notes.0.into_iter().filter(|n| !n.by_rule);
        made.findings.extend(failed.map(|n| {
            let finding = self.about(Finding::new(&code::KERNEL_FALLBACK, n.what));
            match n.at {
                Some(at) => finding.at(at),
                None => finding,
            }
        }));
        against
    }
    fn slot(&self, region: &Region) -> Option<Slot> {
        if self.keeps_inside {
            return None;
        }
        path::slot(region, self.r())
    }
    /// Floors of the passes; a compression cutter that cannot start below its tip is told of.
    fn floors(&self, made: &mut Made) -> Vec<f64> {
        let most = self.feeds.pass_depth;
        let first = (self.cutter.flutes == Flutes::Compression).then(|| {
            self.cutter
                .up_cut_length
                .map_or(self.cutter.diameter.mm(), Length::mm)
                + PAST_UP_CUT_MM
        });
        let deepest = most.max(FIRST_PASS_DIAMETERS * self.cutter.diameter.mm());
        let usable = first.filter(|f| *f <= deepest + 1e-9);
        if let (Some(first), None) = (first, usable) {
            let message = format!(
                "{} ({}): the first pass would have to be {first:.2} mm deep to get the up-cut tip under the face, more than the \
                 {deepest:.2} mm it may take; the upper edge will splinter.",
                self.cutter_id,
                self.cutter.label()
            );
            made.findings
                .push(self.about(Finding::new(&code::COMPRESSION_TIP, message)));
        }
        let limits = Limits {
            most,
            last: self.settings.last_pass.mm(),
            first: usable,
        };
        passes::floors(self.top(), self.feature.floor, &limits)
    }
    /// A cut whose loops are these.
    fn profile_cut(&self, loops: Vec<CutLoop>, keeps_inside: bool) -> ProfileCut {
        ProfileCut {
            loops,
            cutter_diameter: self.cutter.diameter.mm(),
            feed: self.feeds.feed,
            plunge: self.feeds.plunge,
            ramp: match self.settings.entry {
                Entry::Ramp => self.settings.ramp_angle.clamp(0.5, 30.0).to_radians(),
                Entry::Plunge => std::f64::consts::FRAC_PI_2,
            },
            tab_spans: Vec::new(),
            keeps_inside,
            overlap: self.settings.overlap.mm(),
        }
    }
    fn push(&self, made: &mut Made, moves: Vec<Move>, profile: Option<ProfileCut>) {
        let step = Workingstep {
            stage: PROFILE.to_string(),
            feature: self.feature.key.clone(),
            operation: if self.keeps_inside {
                Operation::Outline
            } else {
                Operation::Cutout
            },
            cutter: self.cutter_id.clone(),
            rpm: self.feeds.rpm,
            feed: self.feeds.feed,
            plunge: self.feeds.plunge,
            lowest: self.feature.floor,
            // Replaced when the moves are stored.
            moves: grainway_pipeline::work::BlobId(String::new()),
            profile,
        };
        made.steps.push((step, moves));
    }
    fn clear_z(&self) -> f64 {
        self.top() + CLEAR_MM
    }
    /// An opening as wide as the cutter: one line there and back, or straight down.
    fn cut_slot(&self, slot: &Slot, region: &Region, made: &mut Made) {
        let floors = self.floors(made);
        match slot {
            Slot::Line(line) => {
                let path = path::started(line);
                self.tell_of_left(&[&region.outer], &[&path], made);
                let cut_loop = CutLoop {
                    path,
                    passes: floors,
                    finishing: false,
                    through: self.feature.through,
                };
                let cut = self.profile_cut(vec![cut_loop], false);
                let moves = profile_moves(&cut, &[], self.clear_z());
                self.push(made, moves, Some(cut));
            }
            Slot::Point(at) if self.cutter.centre_cutting => {
                let mut moves = vec![
                    Move::Rapid {
                        to: at.at_z(SAFE_Z),
                    },
                    Move::Rapid {
                        to: at.at_z(self.clear_z()),
                    },
                ];
                for floor in floors {
                    moves.push(Move::line(at.at_z(floor), self.feeds.plunge));
                    // Out of the hole, so that the chips leave it.
                    moves.push(Move::line(at.at_z(self.clear_z()), self.feeds.feed));
                }
                moves.push(Move::rapid(at.at_z(SAFE_Z)));
                self.push(made, moves, None);
            }
            Slot::Point(at) => {
                let message = format!(
                    "The opening is as wide as {} ({}), which does not cut in its centre and so cannot go straight down.",
                    self.cutter_id,
                    self.cutter.label()
                );
                self.unreachable(made, &code::CUTTER_TOO_LARGE, message, Some(*at));
            }
        }
    }
    /// An error, or hand work where the feature says so.
    fn unreachable(
        &self,
        made: &mut Made,
        code: &'static grainway_pipeline::finding::CodeInfo,
        message: String,
        at: Option<Point>,
    ) {
        if self.feature.if_unreachable == IfUnreachable::Hand {
            let count = self.work.part(&self.variant.part).map_or(1, |p| p.count);
            let place = at.map_or_else(String::new, |p| format!(" at ({:.1}, {:.1})", p.x, p.y));
            made.hand_work.push(HandWork {
                part: self.variant.part.clone(),
                count,
                feature: Some(self.feature.key.clone()),
                at,
                what: format!(
                    "cut {} {} to its line{place}",
                    self.feature.kind.word(),
                    self.feature.key
                ),
                why: message,
                pieces: Vec::new(),
            });
            return;
        }
        let finding = self.about(Finding::new(code, message));
        made.findings.push(match at {
            Some(at) => finding.at(at),
            None => finding,
        });
    }
    /// Loops along the walls.
    fn cut_walls(
        &self,
        region: &Region,
        made: &mut Made,
        notes: &mut Notes,
    ) -> Option<(f64, Point)> {
        let (r, diameter) = (self.r(), self.cutter.diameter.mm());
        let walls: Vec<&Contour> = region.contours().collect();
        let last = path::centre_paths(region, self.keeps_inside, r, notes);
        if last.is_empty() {
            let message = format!(
                "{} ({}) does not fit into the opening.",
                self.cutter_id,
                self.cutter.label()
            );
            let at = grainway_geom::pole(region, 0.1).map(|(p, _)| p);
            self.unreachable(made, &code::CUTTER_TOO_LARGE, message, at);
            return None;
        }
        let floors = self.floors(made);
        let allowance = self
            .settings
            .finish_allowance
            .mm()
            .clamp(0.0, 0.25 * diameter);
        let wall = SegmentIndex::new(walls.iter().flat_map(|c| c.segments()));
        let at = |distance: f64, notes: &mut Notes| {
            path::centre_paths(region, self.keeps_inside, distance, notes)
        };
        let rough = if allowance > VERIFY_MM {
            at(r + allowance, notes)
        } else {
            Vec::new()
        };
        let widened = self.widened_at(&floors);
        let wide = match widened.is_empty() {
            true => Vec::new(),
            false => at(r + self.widen_by(), notes),
        };
        let mut paths: Vec<Contour> = Vec::new();
        let mut taken = BTreeSet::new();
        let mut against: Option<(f64, Point)> = None;
        for centre in &last {
            let mut loops = self.loops(centre, &rough, allowance, &floors, &wall, &mut taken);
            if let [only] = loops.as_slice()
                && let Some(beside) = self.beside(&wide, only, self.widen_by(), &widened)
            {
                made.findings.push(self.kerf_widened(&beside));
                loops.insert(0, beside);
            }
            paths.extend(loops.iter().map(|l| l.path.clone()));
            let mut cut = self.profile_cut(loops, centre.keeps_inside);
            if let Some(found) = self.places_for_tabs(&mut cut, &walls, made) {
                against = Some((found.0 + against.map_or(0.0, |a| a.0), found.1));
            }
            let moves = profile_moves(&cut, &[], self.clear_z());
            self.push(made, moves, Some(cut));
        }
        let paths: Vec<&Contour> = paths.iter().collect();
        self.tell_of_left(&walls, &paths, made);
        self.tell_of_lobes(&taken, made);
        against
    }
    /// Names every lobe that no path enters.
    fn tell_of_lobes(&self, taken: &BTreeSet<usize>, made: &mut Made) {
        for (i, corner) in self.feature.corners.iter().enumerate() {
            if !matches!(corner.answer, CornerAnswer::Lobe { .. }) || taken.contains(&i) {
                continue;
            }
            let message = format!(
                "The relief of the corner at ({:.3}, {:.3}) cannot be entered from the cut's path: an edge beside it is too short \
                 for {} ({}).",
                corner.at.x,
                corner.at.y,
                self.cutter_id,
                self.cutter.label()
            );
            self.unreachable(made, &code::UNREACHABLE, message, Some(corner.at));
        }
    }
    /// Names every spot of the walls that the paths do not reach.
    fn tell_of_left(&self, walls: &[&Contour], paths: &[&Contour], made: &mut Made) {
        let left = path::unreached(
            walls,
            paths,
            &self.feature.corners,
            self.r(),
            self.feature.leave,
        );
        for spot in left.iter().take(MOST_SPOTS) {
            let message = format!(
                "{} ({}) leaves wood at ({:.3}, {:.3}), {:.3} mm from being reached{}.",
                self.cutter_id,
                self.cutter.label(),
                spot.at.x,
                spot.at.y,
                spot.by,
                if left.len() > MOST_SPOTS {
                    format!("; {} such places in all", left.len())
                } else {
                    String::new()
                }
            );
            self.unreachable(made, &code::UNREACHABLE, message, Some(spot.at));
        }
    }
    fn widen_by(&self) -> f64 {
        let most = 0.5 * self.cutter.diameter.mm();
        self.settings.widen_by.mm().clamp(0.0, most)
    }
    /// Floors at which a kerf that no finishing loop widens is as deep as it may get before it needs room: below them there is wood to
    /// cut. The spoilboard does not count.
    fn widened_at(&self, floors: &[f64]) -> Vec<f64> {
        let step = self.settings.widen_deeper_than.max(1.0) * self.cutter.diameter.mm();
        let wood = self.top() - self.variant.z.lowest_underside().max(self.feature.floor);
        let deep = (wood / step - SAME_LEVEL_MM).floor().max(0.0) as usize;
        (1..=deep)
            .filter_map(|i| {
                let before = |f: &&f64| self.top() - **f <= i as f64 * step + SAME_LEVEL_MM;
                floors.iter().take_while(before).last().copied()
            })
            .filter(|_| self.widen_by() > VERIFY_MM)
            .collect()
    }
    /// The loop that widens the kerf of another, run at these floors.
    fn beside(&self, paths: &[CentrePath], main: &CutLoop, by: f64, at: &[f64]) -> Option<CutLoop> {
        let outside = |p: &&CentrePath| p.keeps_inside == self.keeps_inside;
        let mut paths = paths.iter().filter(outside);
        let path = paths.find(|p| runs_along(&main.path, &p.path, by))?;
        Some(CutLoop {
            path: path::started(&path.path.clone().oriented(main.path.area() > 0.0)),
            passes: at.to_vec(),
            ..main.clone()
        })
    }
    fn kerf_widened(&self, beside: &CutLoop) -> Finding {
        let seconds = 60.0 * beside.path.length() / self.feeds.feed;
        let message = format!(
            "The kerf gets deeper than {} diameters of {} ({}) and no finishing loop widens it: it is widened by {:.2} mm, once,              which takes {:.0} s.",
            self.settings.widen_deeper_than,
            self.cutter_id,
            self.cutter.label(),
            self.widen_by(),
            seconds * beside.passes.len() as f64
        );
        self.about(Finding::new(&code::KERF_WIDENED, message))
    }
    /// The loops that make one wall: roughing with its ways into reliefs, finishing.
    fn loops(
        &self,
        last: &CentrePath,
        rough: &[CentrePath],
        allowance: f64,
        floors: &[f64],
        wall: &SegmentIndex,
        taken: &mut BTreeSet<usize>,
    ) -> Vec<CutLoop> {
        let r = self.r();
        let through = self.feature.through;
        // The loop beside a wall is the one that stays near it all the way; where an offset has split or vanished there is none.
        let roughed = rough
            .iter()
            .find(|p| {
                p.keeps_inside == last.keeps_inside && runs_along(&last.path, &p.path, allowance)
            })
            .map(|p| p.path.clone());
        let (main, distance) = match &roughed {
            Some(path) => (path.clone(), r + allowance),
            None => (last.path.clone(), r),
        };
        let way = if roughed.is_some() {
            self.settings.rough
        } else {
            self.settings.finish
        };
        let climb = way == Way::Climb;
        let (with_lobes, own) = path::with_lobes(&main, &self.feature.corners, r, distance, wall);
        taken.extend(own);
        let ready = |path: &Contour, climb: bool| {
            path::started(&path::directed(path.clone(), last.keeps_inside, climb))
        };
        let mut loops = vec![CutLoop {
            path: ready(&with_lobes, climb),
            passes: floors.to_vec(),
            finishing: false,
            through,
        }];
        if roughed.is_some() {
            let climb = self.settings.finish == Way::Climb;
            loops.push(CutLoop {
                path: ready(&last.path, climb),
                passes: floors.last().copied().into_iter().collect(),
                finishing: true,
                through,
            });
        }
        loops
    }
    /// Fills in the spans for tabs and says what they lack; gives what is cut against the grain.
    fn places_for_tabs(
        &self,
        cut: &mut ProfileCut,
        walls: &[&Contour],
        made: &mut Made,
    ) -> Option<(f64, Point)> {
        let last = cut.loops.last()?;
        let nearest = |w: &&&Contour| last.path.start().map_or(f64::INFINITY, |p| w.distance(p));
        let wall = walls
            .iter()
            .min_by(|a, b| nearest(a).total_cmp(&nearest(b)))?;
        let others: Vec<&SizedFeature> = self
            .variant
            .features
            .iter()
            .filter(|f| {
                f.key != self.feature.key
                    && !matches!(f.kind, FeatureKind::Outline | FeatureKind::Engraving)
            })
            .collect();
        let question = spans::Question {
            path: &last.path,
            wall,
            keeps_inside: cut.keeps_inside,
            r: self.r(),
            corner_mm: self.settings.tab_corner_distance.mm(),
            curve_mm: self.settings.tab_curve * self.cutter.diameter.mm(),
            others: &others,
            grain: self.grain,
            tenons: self.tenons,
        };
        let answer = spans::tab_spans(&question);
        if self.keeps_inside {
            self.tell_of_tabs(&answer, made);
        }
        let climb = self.settings.finish == Way::Climb;
        let against = if self.grain {
            spans::against_grain(&question, climb)
        } else {
            None
        };
        cut.tab_spans = answer.spans;
        against
    }
    fn tell_of_tabs(&self, answer: &spans::Answer, made: &mut Made) {
        let wanted = self.settings.tab_corner_distance.mm();
        if answer.spans.is_empty() {
            let message =
                "No edge is long and plain enough for a tab; the piece needs another hold.";
            made.findings
                .push(self.about(Finding::new(&code::NO_TAB_PLACE, message)));
        } else if answer.tight_curve || answer.corner_mm.is_some() {
            let near = answer.corner_mm.map_or_else(String::new, |mm| {
                format!(" {mm:.0} mm from corners instead of {wanted:.0}")
            });
            let curve = if answer.tight_curve {
                " on a tight curve"
            } else {
                ""
            };
            let message = format!(
                "The piece is too small for tabs where they belong: they may sit{near}{curve}."
            );
            made.findings
                .push(self.about(Finding::new(&code::TAB_NEAR_CORNER, message)));
        }
    }
}

/// The outer path stays near the inner one all the way: not farther than corners take it, and all round.
fn runs_along(inner: &Contour, outer: &Contour, distance: f64) -> bool {
    // In a sharp inside corner an offset's vertex lies 1/sin φ farther; 8 allows angles down to 15°.
    let near = |a: &Contour, b: &Contour| {
        let b = SegmentIndex::new(b.segments());
        let limit = 8.0 * distance + VERIFY_MM;
        a.vertices
            .iter()
            .all(|v| b.distance_to_point(v.at, limit).is_some())
    };
    !outer.is_empty() && near(outer, inner) && near(inner, outer)
}
