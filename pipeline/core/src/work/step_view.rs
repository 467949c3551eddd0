//! A step of a setup's running order as it is run, whether it is the setup's own or a placed variant's.

use super::{BlobId, Operation, Placement, Setup, StepRef, Work};
use crate::motion::lowest;
use grainway_geom::Placing;

/// A step of a running order, wherever it comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct StepView<'a> {
    /// The placed piece, unless the step is the setup's own.
    pub placement: Option<&'a Placement>,
    /// Which of its variant's steps it is, or stands in the place of.
    pub index: Option<usize>,
    /// Another step than the variant's own.
    pub replaced: bool,
    /// The feature, or what the setup's own step is called.
    pub feature: &'a str,
    /// What is done.
    pub operation: Operation,
    /// Cutter, by id.
    pub cutter: &'a str,
    /// rev/min.
    pub rpm: f64,
    /// mm/min.
    pub feed: f64,
    /// mm/min.
    pub plunge: f64,
    /// Its moves as they are run: with tabs, or the replacement's.
    pub moves: &'a BlobId,
    /// From the moves' frame to the board's.
    pub placing: Placing,
}

impl StepView<'_> {
    /// The lowest Z that it goes to, with what hold changed about it: over a skin less deep than its variant's step.
    pub fn lowest(&self, work: &Work) -> f64 {
        lowest(&work.moves(self.moves))
    }
    /// For people and findings: "leg#2 / m1", or what the setup's own step is called.
    pub fn label(&self) -> String {
        match self.placement {
            Some(placement) => format!("{} / {}", placement.piece, self.feature),
            None => self.feature.to_string(),
        }
    }
}

/// The step that an entry names, with what hold changed about it. `None` when nothing of that number exists.
pub fn step_view<'a>(work: &'a Work, setup: &'a Setup, step: StepRef) -> Option<StepView<'a>> {
    let (p, i) = match step {
        StepRef::Placed(p, i) => (p, i),
        StepRef::Own(i) => {
            return setup.own_steps.get(i).map(|s| StepView {
                placement: None,
                index: None,
                replaced: false,
                feature: s.label(&setup.z),
                operation: s.operation,
                cutter: &s.cutter,
                rpm: s.rpm,
                feed: s.feed,
                plunge: s.plunge,
                moves: &s.moves,
                placing: Placing::default(),
            });
        }
    };
    let placement = setup.placements.get(p)?;
    let s = work.variant(&placement.variant)?.steps.get(i)?;
    let placed = StepView {
        placement: Some(placement),
        index: Some(i),
        replaced: false,
        feature: &s.feature,
        operation: s.operation,
        cutter: &s.cutter,
        rpm: s.rpm,
        feed: s.feed,
        plunge: s.plunge,
        moves: &s.moves,
        placing: placement.placing,
    };
    if let Some((_, other)) = placement.replaced.iter().find(|(n, _)| *n == i) {
        return Some(StepView {
            replaced: true,
            operation: other.operation,
            cutter: &other.cutter,
            rpm: other.rpm,
            feed: other.feed,
            plunge: other.plunge,
            moves: &other.moves,
            ..placed
        });
    }
    let tabbed = placement.tabbed.iter().find(|(n, _)| *n == i);
    Some(StepView {
        moves: tabbed.map_or(placed.moves, |(_, moves)| moves),
        ..placed
    })
}
