//! What the header says: the encoding of texts and the drawing's unit.

use super::decoder::Decoder;
use super::pair::Pair;
use crate::entity::Refusal;
use grainway_pipeline::doc::Unit;

/// The value of a variable of the header.
fn variable<'a>(pairs: &'a [Pair], name: &str, code: i32) -> Option<&'a Pair> {
    let i = pairs.iter().position(|p| p.is(9, name))?;
    pairs.get(i + 1).filter(|p| p.code == code)
}

/// How the file's texts are encoded.
pub(super) fn decoder(pairs: &[Pair]) -> Decoder {
    let ascii = |name: &str, code: i32| {
        let value = variable(pairs, name, code).map(Pair::bytes);
        String::from_utf8_lossy(value.unwrap_or_default())
    };
    Decoder::of(&ascii("$ACADVER", 1), &ascii("$DWGCODEPAGE", 3))
}

/// Millimetres in one unit of the drawing.
pub(super) fn unit(pairs: &[Pair], job: Option<Unit>) -> Result<f64, Refusal> {
    let code = variable(pairs, "$INSUNITS", 70).and_then(Pair::number);
    // $INSUNITS of the published reference; those larger than a kilometre or smaller than a micron are no drawing of furniture.
    let drawn = match code.unwrap_or(0.0) as i64 {
        0 => None,
        1 => Some((25.4, "inches")),
        2 => Some((304.8, "feet")),
        4 => Some((1.0, "millimetres")),
        5 => Some((10.0, "centimetres")),
        6 => Some((1000.0, "metres")),
        8 => Some((25.4e-6, "microinches")),
        9 => Some((0.0254, "mils")),
        10 => Some((914.4, "yards")),
        13 => Some((0.001, "microns")),
        14 => Some((100.0, "decimetres")),
        21 => Some((304.800_609_601_219_2, "US survey feet")),
        22 => Some((304.800_609_601_219_2 / 12.0, "US survey inches")),
        23 => Some((304.800_609_601_219_2 * 3.0, "US survey yards")),
        other => {
            return Err(Refusal::Unit(format!(
                "Its $INSUNITS is {other}, which is no unit that furniture is drawn in."
            )));
        }
    };
    match (drawn, job) {
        (None, None) => Err(Refusal::Unit("The drawing does not say its unit ($INSUNITS is absent or 0), and neither does the job.".to_string())),
        (None, Some(unit)) => Ok(unit.mm()),
        (Some((mm, _)), None) => Ok(mm),
        (Some((mm, word)), Some(unit)) => {
            if (mm - unit.mm()).abs() < 1e-12 {
                Ok(mm)
            } else {
                Err(Refusal::Unit(format!("The drawing says that its unit is {word}, the job says {}.", unit.word())))
            }
        }
    }
}
