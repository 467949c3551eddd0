//! What a reading plugin reports, checked before it is believed.

use crate::one_line::one_line;
use grainway_abi as abi;
use grainway_geom::point;
use grainway_pipeline::dialect::{Action, Known, ReadMove};
use grainway_pipeline::motion::Spindle;

/// A reported move as the host knows it; otherwise a sentence. `faults` are the codes that the description names.
pub(super) fn read_move(
    m: &abi::ReadMove,
    texts: &[u8],
    faults: &[&'static str],
) -> Result<ReadMove, String> {
    let has = |flag| m.flags & flag != 0;
    let finite = |v: f64, what: &str| finite(v, what, m.line);
    let action = action(m, texts, faults)?;
    // Where a cutter that went to the machine's top comes from, is the machine's top.
    let top = action == Action::RetractFull || m.from[2] == f64::INFINITY;
    Ok(ReadMove {
        line: m.line,
        from: known(m, &m.from, abi::READ_HAS_FROM_X, true)?,
        to: known(m, &m.to, abi::READ_HAS_TO_X, top)?,
        action,
        feed: match has(abi::READ_HAS_FEED) {
            true => Some(finite(m.feed, "a feed")?),
            false => None,
        },
        spindle: match has(abi::READ_HAS_SPINDLE) {
            true => Some(Spindle {
                rpm: finite(m.rpm, "a speed")?,
                clockwise: has(abi::READ_CLOCKWISE),
            }),
            false => None,
        },
        cutter: has(abi::READ_HAS_CUTTER).then_some(m.cutter),
    })
}

fn finite(v: f64, what: &str, line: u64) -> Result<f64, String> {
    match v.is_finite() {
        true => Ok(v),
        false => Err(format!("reports {what} of {v} in line {line}")),
    }
}

/// The axes of a position whose flags are set; `first` is the flag of x. `top`: the height may be the machine's top.
fn known(m: &abi::ReadMove, at: &[f64; 3], first: u32, top: bool) -> Result<Known, String> {
    let axis = |i: usize| -> Result<Option<f64>, String> {
        if m.flags & first << i == 0 {
            return Ok(None);
        }
        if i == 2 && top && at[2] == f64::INFINITY {
            return Ok(Some(at[2]));
        }
        finite(at[i], "a position", m.line).map(Some)
    };
    Ok(Known {
        x: axis(0)?,
        y: axis(1)?,
        z: axis(2)?,
    })
}

/// The part of a batch's texts that a span means.
fn text(span: abi::Span, texts: &[u8], line: u64) -> Result<&str, String> {
    let from = span.at as usize;
    from.checked_add(span.len as usize)
        .and_then(|to| texts.get(from..to))
        .and_then(|bytes| std::str::from_utf8(bytes).ok())
        .ok_or_else(|| format!("reports a text of line {line} that lies nowhere or is not UTF-8"))
}

fn action(m: &abi::ReadMove, texts: &[u8], faults: &[&'static str]) -> Result<Action, String> {
    let line = m.line;
    Ok(match m.kind {
        abi::READ_RAPID => Action::Rapid,
        abi::READ_LINE => Action::Line,
        abi::READ_ARC => arc(m)?,
        abi::READ_RETRACT => Action::RetractFull,
        abi::READ_PAUSE => Action::Pause {
            message: text(m.text, texts, line)?.to_string(),
        },
        abi::READ_CUTTER => Action::CutterChange,
        abi::READ_SPINDLE => Action::Spindle,
        abi::READ_DWELL => Action::Dwell {
            seconds: finite(m.seconds, "a wait", line)?,
        },
        abi::READ_STEP => Action::Step { number: m.number },
        abi::READ_END => Action::End,
        abi::READ_FAULT => {
            let said = text(m.code, texts, line)?;
            let Some(code) = faults.iter().find(|f| **f == said) else {
                return Err(format!(
                    "reports a fault \"{}\" in line {line} that its description does not name",
                    one_line(said)
                ));
            };
            Action::Fault {
                code,
                message: one_line(text(m.text, texts, line)?),
            }
        }
        other => {
            return Err(format!(
                "reports something of the unknown kind {other} in line {line}"
            ));
        }
    })
}

fn arc(m: &abi::ReadMove) -> Result<Action, String> {
    let finite = |v: f64, what: &str| finite(v, what, m.line);
    let sweep = finite(m.sweep, "a sweep")?;
    if sweep == 0.0 {
        return Err(format!("reports an arc of no sweep in line {}", m.line));
    }
    Ok(Action::Arc {
        centre: point(
            finite(m.centre[0], "a centre")?,
            finite(m.centre[1], "a centre")?,
        ),
        sweep,
        radius_mismatch: finite(m.mismatch, "a mismatch")?,
    })
}
