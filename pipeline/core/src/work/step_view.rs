//! A step of a setup's running order as it is run, whether it is the setup's own or a placed variant's.

use super::{BlobId, Operation, Setup, SetupStep, StepRef, Work};
use grainway_geom::Placing;

/// A step of a running order, wherever it comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct StepView<'a> {
    /// For people and findings: "leg#2 / m1", or the setup's own step's label.
    pub label: String,
    /// The placed piece, unless the step is the setup's own.
    pub piece: Option<&'a str>,
    /// The feature, where there is one.
    pub feature: Option<&'a str>,
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
    /// The lowest Z of its moves.
    pub lowest: f64,
    /// Its moves as they are run: with tabs, or the replacement's.
    pub moves: &'a BlobId,
    /// From the moves' frame to the board's.
    pub placing: Placing,
}

/// The step that an entry names, with what hold changed about it. `None` when nothing of that number exists.
pub fn step_view<'a>(work: &'a Work, setup: &'a Setup, step: StepRef) -> Option<StepView<'a>> {
    fn own<'a>(s: &'a SetupStep, label: String, placing: Placing) -> StepView<'a> {
        StepView {
            label,
            piece: None,
            feature: None,
            operation: s.operation,
            cutter: &s.cutter,
            rpm: s.rpm,
            feed: s.feed,
            plunge: s.plunge,
            lowest: s.lowest,
            moves: &s.moves,
            placing,
        }
    }
    match step {
        StepRef::Own(i) => {
            let s = setup.own_steps.get(i)?;
            Some(own(s, s.label.clone(), Placing::default()))
        }
        StepRef::Placed(p, i) => {
            let placement = setup.placements.get(p)?;
            let s = work.variant(&placement.variant)?.steps.get(i)?;
            let label = format!("{} / {}", placement.piece, s.feature);
            let names = |view: StepView<'a>| StepView {
                piece: Some(&placement.piece),
                feature: Some(&s.feature),
                ..view
            };
            if let Some((_, r)) = placement.replaced.iter().find(|(n, _)| *n == i) {
                return Some(names(own(r, label, placement.placing)));
            }
            let tabbed = placement.tabbed.iter().find(|(n, _)| *n == i);
            Some(StepView {
                label,
                piece: Some(&placement.piece),
                feature: Some(&s.feature),
                operation: s.operation,
                cutter: &s.cutter,
                rpm: s.rpm,
                feed: s.feed,
                plunge: s.plunge,
                lowest: s.lowest,
                moves: tabbed.map_or(&s.moves, |(_, moves)| moves),
                placing: placement.placing,
            })
        }
    }
}
