//! What a program is made of, and where its text goes.

use crate::Stop;
use crate::callbacks::{Callbacks, Lent};
use grainway_abi as abi;

/// A movement of the cutter. Lengths mm, feeds mm/min.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Move {
    /// At the machine's own speed.
    Rapid {
        /// x, y, z.
        to: [f64; 3],
    },
    /// Straight, cutting.
    Line {
        /// x, y, z.
        to: [f64; 3],
        /// Along the path.
        feed: f64,
    },
    /// About a vertical axis, from where the cutter stands; a helix when `dz` is not 0.
    Arc {
        /// x, y of the axis.
        centre: [f64; 2],
        /// Radians, counter-clockwise positive; may be more than a turn.
        sweep: f64,
        /// How much higher it ends.
        dz: f64,
        /// Along the path.
        feed: f64,
    },
    /// A drilled hole: rapid to `at`, rapid to `retract`, feed to `bottom` (in pecks), out to `retract`.
    Hole {
        /// x, y of the axis.
        at: [f64; 2],
        /// Height to come down to fast and to leave to.
        retract: f64,
        /// Height of the drill's tip at the end.
        bottom: f64,
        /// Depth of one peck.
        peck: Option<f64>,
        /// Downwards.
        feed: f64,
    },
}

impl Move {
    /// Where the cutter stands after the move, coming from `from`.
    pub fn end(&self, from: [f64; 3]) -> [f64; 3] {
        match *self {
            Move::Rapid { to } | Move::Line { to, .. } => to,
            Move::Arc {
                centre, sweep, dz, ..
            } => {
                let (s, c) = sweep.sin_cos();
                let (x, y) = (from[0] - centre[0], from[1] - centre[1]);
                [
                    centre[0] + (x * c - y * s),
                    centre[1] + (x * s + y * c),
                    from[2] + dz,
                ]
            }
            Move::Hole { at, retract, .. } => [at[0], at[1], retract],
        }
    }
    /// All its numbers are finite.
    pub fn is_finite(&self) -> bool {
        let all = |v: &[f64]| v.iter().all(|v| v.is_finite());
        match *self {
            Move::Rapid { to } => all(&to),
            Move::Line { to, feed } => all(&to) && feed.is_finite(),
            Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            } => all(&centre) && all(&[sweep, dz, feed]),
            Move::Hole {
                at,
                retract,
                bottom,
                peck,
                feed,
            } => all(&at) && all(&[retract, bottom, feed, peck.unwrap_or(0.0)]),
        }
    }
}

/// A spindle that turns.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spindle {
    /// rev/min.
    pub rpm: f64,
    /// Seen from above.
    pub clockwise: bool,
}

/// One thing that a program is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Item<'a> {
    /// A workingstep begins. Restate what is in force, and let the first move after it go to safe height, so that a run can be
    /// taken up here.
    Step {
        /// 1, 2, 3 …
        number: u32,
        /// Which part and feature.
        label: &'a str,
    },
    /// Another cutter. The cutter is at safe height; stop the spindle.
    Cutter {
        /// By which the controller knows it.
        number: u32,
        /// The shop's id.
        id: &'a str,
        /// One line for people.
        label: &'a str,
        /// Put in by hand before the program starts.
        by_hand: bool,
    },
    /// The spindle turns or, `None`, stops.
    Spindle(Option<Spindle>),
    /// The machine waits for the person. Positions are unknown afterwards.
    Pause {
        /// What the person is to do.
        message: &'a str,
    },
    /// Wait.
    Dwell {
        /// Seconds.
        seconds: f64,
    },
    /// A remark.
    Label(&'a str),
    /// As high as the machine goes, else to the setup's safe height.
    RetractFull {
        /// The setup's safe height, mm.
        safe_z: f64,
    },
    /// Move.
    Move(Move),
}

/// The items of a program, in order.
pub struct Items<'a> {
    from: From<'a>,
}

/// Where items come from.
enum From<'a> {
    /// The host, in batches.
    Host {
        host: &'a Callbacks,
        batch: Lent<'a>,
        next: usize,
        ended: bool,
    },
    /// A test.
    Given(&'a mut dyn Iterator<Item = Item<'static>>),
}

impl<'a> Items<'a> {
    pub(crate) fn new(host: &'a Callbacks) -> Items<'a> {
        Items {
            from: From::Host {
                host,
                batch: Lent::default(),
                next: 0,
                ended: false,
            },
        }
    }
    /// Items without a host, for tests of a dialect.
    pub fn given(items: &'a mut dyn Iterator<Item = Item<'static>>) -> Items<'a> {
        Items {
            from: From::Given(items),
        }
    }
    /// The next item; `None` at the end.
    #[expect(
        clippy::should_implement_trait,
        reason = "an item's texts are lent until the next call, which Iterator cannot say"
    )]
    pub fn next(&mut self) -> Result<Option<Item<'_>>, Stop> {
        let (host, batch, next, ended) = match &mut self.from {
            From::Given(items) => return Ok(items.next()),
            From::Host {
                host,
                batch,
                next,
                ended,
            } => (host, batch, next, ended),
        };
        if *next >= batch.items.len() {
            if *ended {
                return Ok(None);
            }
            // What was lent before is given back with this call.
            *batch = Lent::default();
            *batch = host.items()?;
            *next = 0;
            if batch.items.is_empty() {
                *ended = true;
                return Ok(None);
            }
        }
        let item = batch.items[*next];
        *next += 1;
        decoded(&item, batch.texts).map(Some)
    }
}

fn text(texts: &[u8], span: abi::Span) -> Result<&str, Stop> {
    let from = span.at as usize;
    from.checked_add(span.len as usize)
        .and_then(|to| texts.get(from..to))
        .and_then(|bytes| std::str::from_utf8(bytes).ok())
        .ok_or_else(|| Stop::refused("", "an item's text lies outside its batch or is not UTF-8"))
}

fn decoded<'a>(i: &abi::Item, texts: &'a [u8]) -> Result<Item<'a>, Stop> {
    let has = |flag| i.flags & flag != 0;
    Ok(match i.kind {
        abi::ITEM_STEP => Item::Step {
            number: i.number,
            label: text(texts, i.text)?,
        },
        abi::ITEM_CUTTER => Item::Cutter {
            number: i.number,
            id: text(texts, i.text)?,
            label: text(texts, i.more)?,
            by_hand: has(abi::ITEM_FLAG_BY_HAND),
        },
        abi::ITEM_SPINDLE => Item::Spindle(has(abi::ITEM_FLAG_ON).then_some(Spindle {
            rpm: i.a,
            clockwise: has(abi::ITEM_FLAG_CLOCKWISE),
        })),
        abi::ITEM_PAUSE => Item::Pause {
            message: text(texts, i.text)?,
        },
        abi::ITEM_DWELL => Item::Dwell { seconds: i.a },
        abi::ITEM_LABEL => Item::Label(text(texts, i.text)?),
        abi::ITEM_RETRACT => Item::RetractFull { safe_z: i.z },
        abi::ITEM_RAPID => Item::Move(Move::Rapid {
            to: [i.x, i.y, i.z],
        }),
        abi::ITEM_LINE => Item::Move(Move::Line {
            to: [i.x, i.y, i.z],
            feed: i.feed,
        }),
        abi::ITEM_ARC => Item::Move(Move::Arc {
            centre: [i.x, i.y],
            sweep: i.a,
            dz: i.z,
            feed: i.feed,
        }),
        abi::ITEM_HOLE => Item::Move(Move::Hole {
            at: [i.x, i.y],
            retract: i.z,
            bottom: i.a,
            peck: has(abi::ITEM_FLAG_PECK).then_some(i.b),
            feed: i.feed,
        }),
        other => {
            return Err(Stop::refused(
                "",
                format!("an item of the unknown kind {other}"),
            ));
        }
    })
}

/// Text is handed on in pieces of about this many bytes.
const PIECE: usize = 1 << 16;

/// Where a program's text goes.
pub struct Out<'a> {
    to: To<'a>,
    text: Vec<u8>,
    lines: u64,
}

/// Who takes the text.
enum To<'a> {
    Host(&'a Callbacks),
    /// A test.
    Given(&'a mut dyn FnMut(&[u8])),
}

impl<'a> Out<'a> {
    pub(crate) fn new(host: &'a Callbacks) -> Out<'a> {
        Out::to(To::Host(host))
    }
    /// Text without a host, handed to `take` in pieces, for tests of a dialect. Call [`Out::flush`] at the end.
    pub fn given(take: &'a mut dyn FnMut(&[u8])) -> Out<'a> {
        Out::to(To::Given(take))
    }
    fn to(to: To<'a>) -> Out<'a> {
        Out {
            to,
            text: Vec::with_capacity(PIECE + 1024),
            lines: 0,
        }
    }
    /// Writes a line; its end, LF, is added.
    pub fn line(&mut self, line: &str) -> Result<(), Stop> {
        self.text.extend_from_slice(line.as_bytes());
        self.text.push(b'\n');
        self.lines += 1;
        if self.text.len() >= PIECE {
            self.flush()?;
        }
        Ok(())
    }
    /// Lines written so far.
    pub fn lines(&self) -> u64 {
        self.lines
    }
    /// Hands on what is held; done by itself at the end of a call.
    pub fn flush(&mut self) -> Result<(), Stop> {
        let done = match &mut self.to {
            To::Host(host) => host.write(abi::WRITE_TEXT, &self.text),
            To::Given(take) => {
                take(&self.text);
                Ok(())
            }
        };
        self.text.clear();
        done
    }
}
