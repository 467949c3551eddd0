//! Lines, arcs, polylines, ellipses and splines.

use super::matrix::{Matrix, cross, flat_plane, lies_flat, unit_vector};
use super::pair::Pair;
use super::sections::Record;
use super::values::{NO_DIRECTION, Values, finite};
use crate::curves::{Curve, follow, spline as curves_of};
use crate::entity::{Run, What};
use crate::plane::Plane;
use grainway_geom::{Point, Segment, point};
use grainway_pipeline::tolerance::IMPORT_MM;
use std::f64::consts::TAU;

const NOT_FLAT: &str = "does not lie flat in the drawing's plane";

/// What the entity of a record is. The error is a sentence's end that says why it cannot be read.
pub(super) fn geometry(
    record: &Record,
    values: &Values<'_>,
    matrix: &Matrix,
    pairs: &[Pair],
) -> Result<What, String> {
    let other = |what: &str| Ok(What::Other(what.to_string()));
    match record.kind.as_ref() {
        "LINE" => line(values, matrix),
        "ARC" | "CIRCLE" => arc(record.kind.as_ref() == "ARC", values, matrix),
        "LWPOLYLINE" => lwpolyline(values, matrix),
        "POLYLINE" => polyline(record, values, matrix, pairs),
        "ELLIPSE" => ellipse(values, matrix),
        "SPLINE" => spline(values, matrix),
        "POINT" => other("is a single point, which has no size to cut"),
        "TEXT" | "MTEXT" | "ATTDEF" | "ATTRIB" => other("is a text"),
        "DIMENSION" | "LEADER" | "MULTILEADER" | "MLEADER" | "TOLERANCE" => {
            other("is a dimension or a note")
        }
        "HATCH" | "SOLID" | "TRACE" => other("is a filled area"),
        "3DSOLID" | "BODY" | "REGION" | "SURFACE" | "3DFACE" | "MESH" => {
            other("is a solid or a surface")
        }
        "VIEWPORT" => other("is a view"),
        "IMAGE" | "WIPEOUT" | "OLE2FRAME" | "OLEFRAME" => other("is a picture"),
        _ => other("is of a type that is not read"),
    }
}

fn line(values: &Values<'_>, matrix: &Matrix) -> Result<What, String> {
    let (a, b) = (
        matrix.point(values.point3(10)?),
        matrix.point(values.point3(11)?),
    );
    if (a[2] - b[2]).abs() > IMPORT_MM {
        return Ok(What::Broken(NOT_FLAT.to_string()));
    }
    Ok(Run::checked(
        vec![Segment::Line {
            a: point(a[0], a[1]),
            b: point(b[0], b[1]),
        }],
        false,
    ))
}

fn plane(values: &Values<'_>, matrix: &Matrix, elevation: f64) -> Result<Plane, String> {
    flat_plane(&matrix.after(&values.extrusion()?), elevation).ok_or_else(|| NOT_FLAT.to_string())
}

fn arc(is_arc: bool, values: &Values<'_>, matrix: &Matrix) -> Result<What, String> {
    let c = values.point3(10)?;
    let plane = plane(values, matrix, c[2])?;
    let (centre, radius) = (point(c[0], c[1]), values.needed(40)?);
    if radius <= 0.0 {
        return Err(format!("has the radius {radius}"));
    }
    let (from, sweep) = if is_arc {
        let (from, to) = (values.needed(50)?, values.needed(51)?);
        // Always counter-clockwise from the first angle to the second; equal angles are a whole turn.
        let degrees = (to - from).rem_euclid(360.0);
        (
            from.to_radians(),
            if degrees < 1e-9 {
                TAU
            } else {
                degrees.to_radians()
            },
        )
    } else {
        (0.0, TAU)
    };
    let start = centre + Point::unit(from) * radius;
    let segments = plane.segments(&[Segment::arc_about(centre, start, sweep)]);
    Ok(Run::checked(segments, sweep >= TAU))
}

fn lwpolyline(values: &Values<'_>, matrix: &Matrix) -> Result<What, String> {
    let plane = plane(values, matrix, values.number(38, 0.0)?)?;
    let mut corners: Vec<(Point, f64)> = Vec::new();
    for p in values.0 {
        match (p.code, corners.last_mut()) {
            (10, _) => corners.push((point(finite(p)?, f64::NAN), 0.0)),
            (20, Some(last)) => last.0.y = finite(p)?,
            (42, Some(last)) => last.1 = finite(p)?,
            _ => {}
        }
    }
    Ok(through(&plane, &corners, values.flags(70) & 1 == 1))
}

/// A run through corners with the bulges that leave them.
fn through(plane: &Plane, corners: &[(Point, f64)], closed: bool) -> What {
    if corners.len() < 2 {
        return What::Other("has no length".to_string());
    }
    let n = corners.len();
    let count = if closed { n } else { n - 1 };
    let own: Vec<Segment> = (0..count)
        .map(|i| Segment::from_bulge(corners[i].0, corners[(i + 1) % n].0, corners[i].1))
        .filter(|s| s.length() > 0.0 || !s.start().is_finite())
        .collect();
    Run::checked(plane.segments(&own), closed)
}

fn polyline(
    record: &Record,
    values: &Values<'_>,
    matrix: &Matrix,
    pairs: &[Pair],
) -> Result<What, String> {
    let flags = values.flags(70);
    if flags & (16 | 64) != 0 {
        return Ok(What::Other("is a mesh".to_string()));
    }
    if flags & 8 != 0 {
        return Ok(What::Broken("is a polyline in space".to_string()));
    }
    let mut corners = Vec::new();
    for (kind, range) in &record.parts {
        let vertex = Values::of_entity(&pairs[range.clone()]);
        // Bit 16: a control point of the frame of a fitted spline, which is not on the curve.
        if kind.as_ref() != "VERTEX" || vertex.flags(70) & 16 != 0 {
            continue;
        }
        corners.push((
            point(vertex.needed(10)?, vertex.needed(20)?),
            vertex.number(42, 0.0)?,
        ));
    }
    let plane = plane(values, matrix, values.number(30, 0.0)?)?;
    Ok(through(&plane, &corners, flags & 1 == 1))
}

fn ellipse(values: &Values<'_>, matrix: &Matrix) -> Result<What, String> {
    let centre = matrix.point(values.point3(10)?);
    let major = values.point3(11)?;
    let ratio = values.needed(40)?;
    let normal = unit_vector(values.normal()?).ok_or(NO_DIRECTION)?;
    let minor = cross(normal, major).map(|c| c * ratio);
    if ratio.abs() <= 1e-9 {
        return Err(format!("has the axis ratio {ratio}"));
    }
    let (from, to) = (values.number(41, 0.0)?, values.number(42, TAU)?);
    let turn = (to - from).rem_euclid(TAU);
    let sweep = if !(1e-9..=TAU - 1e-9).contains(&turn) {
        TAU
    } else {
        turn
    };
    let (u, v) = (matrix.vector(major), matrix.vector(minor));
    if !lies_flat(u) || !lies_flat(v) {
        return Ok(What::Broken(NOT_FLAT.to_string()));
    }
    let curve = Curve::Ellipse {
        centre: point(centre[0], centre[1]),
        u: point(u[0], u[1]),
        v: point(v[0], v[1]),
        from,
        sweep,
    };
    Ok(Run::checked(follow(&[curve]), sweep >= TAU))
}

fn spline(values: &Values<'_>, matrix: &Matrix) -> Result<What, String> {
    let degree = values.flags(71).clamp(0, 99) as usize;
    let knots = values.all(40)?;
    let (xs, ys, zs) = (values.all(10)?, values.all(20)?, values.all(30)?);
    let weights = values.all(41)?;
    if xs.is_empty() && !values.all(11)?.is_empty() {
        return Err(
            "is a spline of fit points only, whose curve the file does not say".to_string(),
        );
    }
    if ys.len() != xs.len() || !(weights.is_empty() || weights.len() == xs.len()) {
        return Err("is a spline whose counts do not agree".to_string());
    }
    let control: Vec<[f64; 3]> = (0..xs.len())
        .map(|i| matrix.point([xs[i], ys[i], zs.get(i).copied().unwrap_or(0.0)]))
        .collect();
    let z = control.first().map_or(0.0, |c| c[2]);
    if control.iter().any(|c| (c[2] - z).abs() > IMPORT_MM) {
        return Ok(What::Broken(NOT_FLAT.to_string()));
    }
    let weighted: Vec<[f64; 3]> = control
        .iter()
        .enumerate()
        .map(|(i, c)| {
            let w = weights.get(i).copied().unwrap_or(1.0);
            [c[0] * w, c[1] * w, w]
        })
        .collect();
    let segments = follow(
        &curves_of(degree, &knots, &weighted).map_err(|why| format!("is a spline and {why}"))?,
    );
    let closed = match (segments.first(), segments.last()) {
        (Some(first), Some(last)) => first.start().distance(last.end()) < 1e-6,
        _ => false,
    };
    Ok(Run::checked(segments, closed))
}
