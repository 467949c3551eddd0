//! The values of one record.

use super::decoder::Decoder;
use super::matrix::Matrix;
use super::pair::Pair;

/// Values of one record.
pub(super) struct Values<'a>(pub(super) &'a [Pair]);

impl<'a> Values<'a> {
    /// An entity's own values: extended data and embedded objects, which use the same codes for other things, are left out.
    pub(super) fn of_entity(all: &'a [Pair]) -> Values<'a> {
        let end = all.iter().position(|p| p.code >= 1000 || p.code == 101);
        Values(&all[..end.unwrap_or(all.len())])
    }
    fn find(&self, code: i32) -> Option<&Pair> {
        self.0.iter().find(|p| p.code == code)
    }
    pub(super) fn text(&self, code: i32, decoder: Decoder) -> Option<String> {
        self.find(code).map(|p| decoder.text(p.bytes()))
    }
    /// A number; `None` when it is absent or cannot be read.
    pub(super) fn maybe(&self, code: i32) -> Option<f64> {
        self.find(code).and_then(Pair::number)
    }
    /// A number, the default when absent; the error names the code of one that cannot be read.
    pub(super) fn number(&self, code: i32, default: f64) -> Result<f64, String> {
        self.find(code).map_or(Ok(default), finite)
    }
    pub(super) fn needed(&self, code: i32) -> Result<f64, String> {
        self.find(code)
            .ok_or_else(|| format!("lacks its value {code}"))
            .and_then(finite)
    }
    pub(super) fn flags(&self, code: i32) -> i64 {
        self.maybe(code).unwrap_or(0.0) as i64
    }
    pub(super) fn point3(&self, code: i32) -> Result<[f64; 3], String> {
        Ok([
            self.needed(code)?,
            self.needed(code + 10)?,
            self.number(code + 20, 0.0)?,
        ])
    }
    pub(super) fn all(&self, code: i32) -> Result<Vec<f64>, String> {
        let own = self.0.iter().filter(|p| p.code == code);
        own.map(finite).collect()
    }
    /// The direction that the entity's plane faces.
    pub(super) fn normal(&self) -> Result<[f64; 3], String> {
        Ok([
            self.number(210, 0.0)?,
            self.number(220, 0.0)?,
            self.number(230, 1.0)?,
        ])
    }
    pub(super) fn extrusion(&self) -> Result<Matrix, String> {
        Matrix::of_extrusion(self.normal()?).ok_or_else(|| NO_DIRECTION.to_string())
    }
}

pub(super) const NO_DIRECTION: &str = "has an extrusion of no direction";

/// The number of a pair.
pub(super) fn finite(p: &Pair) -> Result<f64, String> {
    match p.number() {
        Some(n) if n.is_finite() => Ok(n),
        _ => Err(format!(
            "has a value {} that is not a finite number",
            p.code
        )),
    }
}
