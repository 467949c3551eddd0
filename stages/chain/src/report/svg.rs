//! Pictures as SVG files.

use super::picture::{Anchor, Colour, Mark, Picture};
use grainway_geom::{Contour, Segment};
use std::fmt::Write;

fn colour(c: Colour) -> String {
    format!("#{:02x}{:02x}{:02x}", c[0], c[1], c[2])
}

/// At most three decimals, no negative zero.
fn n(v: f64) -> String {
    let text = format!("{v:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_string()
    } else {
        text.to_string()
    }
}

/// Text that means itself in XML. Control characters, which XML 1.0 does not allow, become a space.
pub(super) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() || ('\u{fffe}'..='\u{ffff}').contains(&c) => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// The picture, y downwards as SVG has it. `standalone` adds what a file of its own needs.
pub(super) fn svg(picture: &Picture, standalone: bool) -> String {
    let b = picture.bounds;
    let mut out = String::new();
    if standalone {
        out.push_str("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    }
    let _ = writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"{} {} {} {}\" width=\"{}mm\" role=\"img\">\n<title>{}</title>",
        n(b.min.x),
        n(-b.max.y),
        n(b.width()),
        n(b.height()),
        n(b.width() / picture.unit),
        escaped(&picture.title)
    );
    let _ = writeln!(
        out,
        "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"#ffffff\"/>",
        n(b.min.x),
        n(-b.max.y),
        n(b.width()),
        n(b.height())
    );
    for mark in &picture.marks {
        match mark {
            Mark::Shape {
                contours,
                fill,
                stroke,
                dashed,
            } => {
                let d: String = contours.iter().map(path).collect();
                let fill = fill.map_or_else(|| "none".to_string(), colour);
                let _ = write!(
                    out,
                    "<path d=\"{}\" fill=\"{fill}\" fill-rule=\"evenodd\"",
                    d.trim_end()
                );
                if let Some((c, width)) = stroke {
                    let width = width * picture.unit;
                    let _ = write!(
                        out,
                        " stroke=\"{}\" stroke-width=\"{}\"",
                        colour(*c),
                        n(width)
                    );
                    if *dashed {
                        let dash = n(picture.unit * 1.5);
                        let _ = write!(out, " stroke-dasharray=\"{dash} {dash}\"");
                    }
                }
                out.push_str("/>\n");
            }
            Mark::Text {
                at,
                size,
                anchor,
                colour: c,
                text,
            } => {
                let anchor = match anchor {
                    Anchor::Start => "start",
                    Anchor::Middle => "middle",
                };
                let _ = writeln!(
                    out,
                    "<text x=\"{}\" y=\"{}\" font-size=\"{}\" font-family=\"Helvetica, Arial, sans-serif\" text-anchor=\"{anchor}\" fill=\"{}\">{}</text>",
                    n(at.x),
                    n(-at.y),
                    n(size * picture.unit),
                    colour(*c),
                    escaped(text)
                );
            }
        }
    }
    out.push_str("</svg>\n");
    out
}

fn path(contour: &Contour) -> String {
    let mut d = String::new();
    for (i, segment) in contour.segments().enumerate() {
        if i == 0 {
            let a = segment.start();
            let _ = write!(d, "M{} {}", n(a.x), n(-a.y));
        }
        match segment {
            Segment::Line { b, .. } => {
                let _ = write!(d, "L{} {}", n(b.x), n(-b.y));
            }
            Segment::Arc { radius, sweep, .. } => {
                // Halves, so that a full circle has a way to go round.
                for half in [segment.piece(0.0, 0.5), segment.piece(0.5, 1.0)] {
                    let b = half.end();
                    let _ = write!(
                        d,
                        "A{r} {r} 0 0 {} {} {}",
                        u8::from(sweep < 0.0),
                        n(b.x),
                        n(-b.y),
                        r = n(radius)
                    );
                }
            }
        }
    }
    if contour.closed {
        d.push('Z');
    }
    d.push(' ');
    d
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::point;

    #[test]
    fn text_means_itself() {
        assert_eq!(escaped("<a & 'b'>\u{1}"), "&lt;a &amp; &#39;b&#39;&gt; ");
    }

    /// An arc that runs counter-clockwise with y upwards has sweep-flag 0 where y points downwards (SVG 1.1, 8.3.8).
    #[test]
    fn circles_go_all_the_way_round() {
        let d = path(&Contour::circle(point(0.0, 0.0), 5.0));
        assert_eq!(
            d.trim_end(),
            "M5 0A5 5 0 0 0 0 -5A5 5 0 0 0 -5 0A5 5 0 0 0 0 5A5 5 0 0 0 5 0Z"
        );
    }
}
