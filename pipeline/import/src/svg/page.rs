//! The page: its physical size, and what a user unit is.

use super::lengths::{PIXEL_MM, length};
use crate::entity::Refusal;
use crate::plane::Plane;
use grainway_geom::point;
use grainway_pipeline::doc::Unit;
use roxmltree::Node;

/// The page of a drawing.
pub(super) struct Page {
    /// From user units to millimetres, y upwards.
    pub(super) plane: Plane,
    /// Millimetres in the unit that layer names count in.
    pub(super) unit_mm: f64,
}

/// The page of a root element.
pub(super) fn page(root: Node<'_, '_>, job: Option<Unit>) -> Result<Page, Refusal> {
    let side = |name: &str| {
        root.attribute(name)
            .and_then(length)
            .filter(|(n, _)| *n > 0.0)
    };
    let (width, height) = (side("width"), side("height"));
    let view = match root.attribute("viewBox") {
        Some(text) => {
            let v: svgtypes::ViewBox = text
                .parse()
                .map_err(|_| Refusal::Damaged(format!("its viewBox \"{text}\" cannot be read")))?;
            Some(v)
        }
        None => None,
    };
    // A bare number counts as pixels, unless the job says what the numbers are.
    let unit = match (width.and_then(|w| w.1).or(height.and_then(|h| h.1)), job) {
        (Some(mm), Some(u)) if (mm - u.mm()).abs() > 1e-9 => {
            return Err(Refusal::Unit(format!(
                "The drawing's width and height say that its unit is {} mm long, the job says {}.",
                (mm * 1e6).round() / 1e6,
                u.word()
            )));
        }
        (Some(mm), _) => mm,
        (None, Some(u)) => u.mm(),
        (None, None) if width.is_some() || height.is_some() => PIXEL_MM,
        (None, None) => {
            return Err(Refusal::Unit("The drawing gives no width and height with a unit, and the job does not say its unit.".to_string()));
        }
    };
    let mm = |side: Option<(f64, Option<f64>)>| side.map(|(n, u)| n * u.unwrap_or(unit));
    let (width, height) = (mm(width), mm(height));
    let scale = |sx: f64, sy: f64, x0: f64, y0: f64, high: f64| Page {
        plane: Plane {
            x: point(sx, 0.0),
            y: point(0.0, -sy),
            origin: point(-x0 * sx, high + y0 * sy),
        },
        unit_mm: unit,
    };
    let Some(v) = view else {
        // Without a viewBox, user units are pixels where the page has a size, else what the job says.
        let user = if width.is_some() || height.is_some() {
            bare_user_unit(job, root)
        } else {
            unit
        };
        return Ok(scale(user, user, 0.0, 0.0, height.unwrap_or(0.0)));
    };
    Ok(match (width, height) {
        (None, None) => scale(unit, unit, v.x, v.y, v.h * unit),
        (Some(w), None) => scale(w / v.w, w / v.w, v.x, v.y, v.h * w / v.w),
        (None, Some(h)) => scale(h / v.h, h / v.h, v.x, v.y, h),
        (Some(w), Some(h)) => {
            let (sx, sy) = (w / v.w, h / v.h);
            let ratio: Option<svgtypes::AspectRatio> = root
                .attribute("preserveAspectRatio")
                .and_then(|t| t.parse().ok());
            match ratio {
                Some(r) if r.align == svgtypes::Align::None => scale(sx, sy, v.x, v.y, h),
                Some(r) if r.slice => scale(sx.max(sy), sx.max(sy), v.x, v.y, h),
                // Where the shape is set in the middle of a larger page does not matter here: only sizes do.
                _ => scale(sx.min(sy), sx.min(sy), v.x, v.y, h),
            }
        }
    })
}

/// The length of a user unit on a page that has a size and no viewBox.
fn bare_user_unit(job: Option<Unit>, root: Node<'_, '_>) -> f64 {
    let named = root
        .attribute("width")
        .and_then(length)
        .and_then(|l| l.1)
        .is_some();
    match job {
        Some(unit) if !named => unit.mm(),
        _ => PIXEL_MM,
    }
}
