//! What a layer says: the figures of a setup and its findings.

use grainway_pipeline::finding::Finding;
use grainway_pipeline::work::VerdictFigure;

/// Collects what a layer says.
#[derive(Clone, Debug, Default)]
pub(super) struct Said {
    layer: &'static str,
    /// Findings with the text they belong to, where they belong to one.
    pub(super) findings: Vec<(Option<u16>, Finding)>,
    pub(super) figures: Vec<VerdictFigure>,
}

impl Said {
    pub(super) fn of(layer: &'static str) -> Said {
        Said {
            layer,
            ..Said::default()
        }
    }
    pub(super) fn find(&mut self, text: Option<u16>, finding: Finding) {
        self.findings.push((text, finding));
    }
    /// A figure that was computed exactly.
    pub(super) fn exact(
        &mut self,
        what: impl Into<String>,
        value: f64,
        unit: &str,
        limit: impl Into<Option<f64>>,
    ) {
        self.figure(what, value, unit, limit, true);
    }
    /// A figure that errs on the safe side.
    pub(super) fn about(
        &mut self,
        what: impl Into<String>,
        value: f64,
        unit: &str,
        limit: impl Into<Option<f64>>,
    ) {
        self.figure(what, value, unit, limit, false);
    }
    pub(super) fn figure(
        &mut self,
        what: impl Into<String>,
        value: f64,
        unit: &str,
        limit: impl Into<Option<f64>>,
        exact: bool,
    ) {
        // JSON has no infinity; a figure without a value says nothing.
        if value.is_finite() {
            self.figures.push(VerdictFigure {
                layer: self.layer.to_string(),
                what: what.into(),
                value: (value * 1e6).round() / 1e6 + 0.0,
                unit: unit.to_string(),
                limit: limit.into(),
                exact,
            });
        }
    }
    pub(super) fn add(&mut self, other: Said) {
        self.findings.extend(other.findings);
        self.figures.extend(other.figures);
    }
}

/// Millimetres for people: three decimals, no trailing zeros.
pub(super) fn mm(v: f64) -> String {
    let s = format!("{v:.3}");
    let s = s.trim_end_matches('0').trim_end_matches('.');
    if s == "-0" { "0".into() } else { s.into() }
}
