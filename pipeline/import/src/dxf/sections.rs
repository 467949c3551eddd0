//! The sections of a file: layers of the tables, blocks, and the entities of the drawing, as records.

use super::decoder::Decoder;
use super::header;
use super::pair::Pair;
use super::values::Values;
use crate::entity::Refusal;
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

/// A record with those that belong to it (vertices of a polyline, attributes of an insertion).
#[derive(Clone, Debug)]
pub(super) struct Record {
    pub(super) kind: Arc<str>,
    pub(super) pairs: Range<usize>,
    pub(super) parts: Vec<(Arc<str>, Range<usize>)>,
}

#[derive(Clone, Debug, Default)]
pub(super) struct Block {
    pub(super) base: [f64; 3],
    pub(super) entities: Vec<Record>,
}

#[derive(Clone, Debug)]
pub(super) struct File {
    pub(super) decoder: Decoder,
    /// By name in capitals: DXF names do not tell small letters from capitals.
    pub(super) hidden_layers: BTreeMap<String, &'static str>,
    pub(super) blocks: BTreeMap<String, Block>,
    pub(super) entities: Vec<Record>,
}

impl File {
    pub(super) fn of(pairs: &[Pair]) -> Result<File, Refusal> {
        let starts: Vec<usize> = (0..pairs.len()).filter(|i| pairs[*i].code == 0).collect();
        if starts.first().is_none_or(|s| *s > 0) && !pairs.is_empty() {
            return Err(damaged("it does not begin with a section"));
        }
        let mut reading = Reading {
            file: File {
                decoder: header::decoder(pairs),
                hidden_layers: BTreeMap::new(),
                blocks: BTreeMap::new(),
                entities: Vec::new(),
            },
            sections: 0,
            section: None,
            block: None,
        };
        for (n, start) in starts.iter().enumerate() {
            let range = start + 1..starts.get(n + 1).copied().unwrap_or(pairs.len());
            let kind = String::from_utf8_lossy(pairs[*start].bytes());
            if kind == "EOF" {
                return reading.finished(true);
            }
            let own = Values(&pairs[range.clone()]);
            reading.record(kind.as_ref().into(), range, &own)?;
        }
        reading.finished(false)
    }
}

fn damaged(what: impl Into<String>) -> Refusal {
    Refusal::Damaged(what.into())
}

/// A file on its way.
struct Reading {
    file: File,
    sections: usize,
    /// The name of the open section.
    section: Option<String>,
    /// The open block and its name.
    block: Option<(String, Block)>,
}

impl Reading {
    fn record(
        &mut self,
        kind: Arc<str>,
        range: Range<usize>,
        own: &Values<'_>,
    ) -> Result<(), Refusal> {
        match (self.section.as_deref(), kind.as_ref()) {
            (None, "SECTION") => {
                self.section = Some(own.text(2, self.file.decoder).unwrap_or_default());
                self.sections += 1;
            }
            (Some(open), "SECTION") => {
                return Err(damaged(format!("its section {open} does not end")));
            }
            (_, "ENDSEC") => self.section = None,
            (Some("TABLES"), "LAYER") => self.layer(own),
            (Some("BLOCKS"), "BLOCK") => {
                let name = own.text(2, self.file.decoder).unwrap_or_default();
                let block = Block {
                    base: [10, 20, 30].map(|code| own.maybe(code).unwrap_or(0.0)),
                    entities: Vec::new(),
                };
                self.block = Some((name.to_uppercase(), block));
            }
            (Some("BLOCKS"), "ENDBLK") => self.file.blocks.extend(self.block.take()),
            (Some("BLOCKS"), _) => {
                if let Some((_, block)) = &mut self.block {
                    add_record(&mut block.entities, kind, range);
                }
            }
            (Some("ENTITIES"), _) => add_record(&mut self.file.entities, kind, range),
            _ => {}
        }
        Ok(())
    }

    /// Takes down a layer that is not shown.
    fn layer(&mut self, own: &Values<'_>) {
        let why = if own.flags(70) & 1 == 1 {
            "frozen"
        } else if own.maybe(62).is_some_and(|c| c < 0.0) {
            "off"
        } else {
            return;
        };
        if let Some(name) = own.text(2, self.file.decoder) {
            self.file.hidden_layers.insert(name.to_uppercase(), why);
        }
    }

    /// The file, when it is whole.
    fn finished(self, ended: bool) -> Result<File, Refusal> {
        if self.sections == 0 {
            return Err(damaged("it has no section; it is not a DXF file"));
        }
        if let Some(open) = self.section {
            return Err(damaged(format!(
                "it ends inside its section {open}; the file is cut off"
            )));
        }
        match ended {
            true => Ok(self.file),
            false => Err(damaged("it has no EOF at its end; the file is cut off")),
        }
    }
}

/// Adds a record, or attaches it to the polyline or insertion it belongs to.
fn add_record(records: &mut Vec<Record>, kind: Arc<str>, pairs: Range<usize>) {
    let owner = records.last_mut().filter(|r| match kind.as_ref() {
        "VERTEX" => r.kind.as_ref() == "POLYLINE",
        "ATTRIB" => r.kind.as_ref() == "INSERT",
        "SEQEND" => matches!(r.kind.as_ref(), "POLYLINE" | "INSERT"),
        _ => false,
    });
    match owner {
        Some(owner) => owner.parts.push((kind, pairs)),
        None => records.push(Record {
            kind,
            pairs,
            parts: Vec::new(),
        }),
    }
}
