//! DXF, text and binary, R12 to 2018, by the published reference.
//!
//! The file is read as pairs of group code and value, which are grouped into records by their `0` codes. Every record of the model
//! comes out as an entity, known or not, so that nothing is lost between reading and the balance. A general library was tried and
//! put aside, since it drops records of types that it does not know.

use crate::curves::{Curve, follow, spline};
use crate::entity::{Content, Entity, MOST_ENTITIES, Refusal, Run, What};
use crate::plane::Plane;
use grainway_geom::{Point, Segment, point};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::tolerance::IMPORT_MM;
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::ops::Range;
use std::sync::Arc;

/// First bytes of a binary file: 22 of them, from the published reference.
const SENTINEL: &[u8; 22] =
    b"\x41\x75\x74\x6F\x43\x41\x44\x20\x42\x69\x6E\x61\x72\x79\x20\x44\x58\x46\x0D\x0A\x1A\x00";
/// Blocks inside blocks deeper than this are refused.
const DEEPEST: usize = 32;
/// A plane that rises by more than this share of its extent does not lie flat.
const FLAT_SHARE: f64 = 1e-6;

/// Reads a drawing. `job_unit` is what the job says of its unit.
pub fn read(bytes: &[u8], job_unit: Option<Unit>) -> Result<Content, Refusal> {
    let pairs = pairs(bytes)?;
    let file = File::of(&pairs)?;
    let unit_mm = unit(file.unit_code, job_unit)?;
    let mut walk = Walk {
        file: &file,
        pairs: &pairs,
        out: Vec::new(),
        overflow: false,
    };
    let top = Frame {
        matrix: Matrix::scale(unit_mm),
        layer: None,
        around: Vec::new(),
        hidden: None,
        open: Vec::new(),
    };
    walk.entities(&file.entities, &top);
    for (name, block) in &file.blocks {
        if name.starts_with("*PAPER_SPACE") {
            walk.entities(
                &block.entities,
                &Frame {
                    hidden: Some("paper space"),
                    ..top.clone()
                },
            );
        }
    }
    if walk.overflow {
        return Err(Refusal::Damaged(format!(
            "its insertions hold more than {MOST_ENTITIES} entities"
        )));
    }
    Ok(Content {
        entities: walk.out,
        unit_mm,
        remarks: file.remarks.clone(),
    })
}

// --- Pairs -----------------------------------------------------------------------------------------------------------------------

/// A group code and its value.
#[derive(Clone, Debug, PartialEq)]
struct Pair {
    code: i32,
    value: Value,
}

#[derive(Clone, Debug, PartialEq)]
enum Value {
    Text(Vec<u8>),
    Number(f64),
}

impl Pair {
    fn number(&self) -> Option<f64> {
        match &self.value {
            Value::Number(n) => Some(*n),
            Value::Text(t) => std::str::from_utf8(t).ok()?.trim().parse().ok(),
        }
    }
    fn is(&self, code: i32, text: &str) -> bool {
        self.code == code
            && matches!(&self.value, Value::Text(t) if t.trim_ascii() == text.as_bytes())
    }
    fn bytes(&self) -> &[u8] {
        match &self.value {
            Value::Text(t) => t.trim_ascii(),
            Value::Number(_) => b"",
        }
    }
}

fn pairs(bytes: &[u8]) -> Result<Vec<Pair>, Refusal> {
    if bytes.starts_with(&SENTINEL[..18]) {
        binary_pairs(bytes)
    } else {
        text_pairs(bytes)
    }
}

fn text_pairs(bytes: &[u8]) -> Result<Vec<Pair>, Refusal> {
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let mut lines = Lines {
        rest: bytes,
        number: 0,
    };
    let mut pairs = Vec::new();
    while let Some(line) = lines.next() {
        let code = std::str::from_utf8(line)
            .ok()
            .and_then(|s| s.trim().parse::<i32>().ok());
        let Some(code) = code else {
            if line.trim_ascii().is_empty() && lines.rest.trim_ascii().is_empty() {
                break;
            }
            return Err(Refusal::Damaged(format!(
                "line {} should be a group code and is not",
                lines.number
            )));
        };
        let at = lines.number;
        let Some(value) = lines.next() else {
            return Err(Refusal::Damaged(format!(
                "it ends after the group code of line {at}"
            )));
        };
        let pair = Pair {
            code,
            value: Value::Text(value.to_vec()),
        };
        let end = pair.is(0, "EOF");
        if code != 999 {
            pairs.push(pair);
        }
        if end {
            break;
        }
    }
    Ok(pairs)
}

/// Lines ended by CR LF, LF or CR.
struct Lines<'a> {
    rest: &'a [u8],
    number: usize,
}

impl<'a> Lines<'a> {
    fn next(&mut self) -> Option<&'a [u8]> {
        if self.rest.is_empty() {
            return None;
        }
        self.number += 1;
        let end = self
            .rest
            .iter()
            .position(|b| matches!(b, b'\n' | b'\r'))
            .unwrap_or(self.rest.len());
        let (line, rest) = self.rest.split_at(end);
        self.rest = rest
            .strip_prefix(b"\r\n")
            .unwrap_or(rest.get(1..).unwrap_or(&[]));
        Some(line)
    }
}

/// How a value is stored in a binary file, by group code.
enum Stored {
    Text,
    Double,
    Int16,
    Int32,
    Int64,
    Byte,
    Chunk,
}

fn stored(code: i32) -> Option<Stored> {
    Some(match code {
        0..=9
        | 100..=102
        | 105
        | 300..=309
        | 320..=369
        | 390..=399
        | 410..=419
        | 430..=439
        | 470..=481
        | 999 => Stored::Text,
        1004 | 310..=319 => Stored::Chunk,
        1000..=1009 => Stored::Text,
        10..=59 | 110..=149 | 210..=239 | 460..=469 | 1010..=1059 => Stored::Double,
        60..=79 | 170..=179 | 270..=289 | 370..=389 | 400..=409 | 1060..=1070 => Stored::Int16,
        90..=99 | 420..=429 | 440..=459 | 1071 => Stored::Int32,
        160..=169 => Stored::Int64,
        290..=299 => Stored::Byte,
        _ => return None,
    })
}

fn binary_pairs(bytes: &[u8]) -> Result<Vec<Pair>, Refusal> {
    let damaged = |at: usize, what: &str| Refusal::Damaged(format!("{what} at byte {at}"));
    if bytes.len() < 26 {
        return Err(damaged(bytes.len(), "it ends"));
    }
    // Before release 13 a group code is one byte; the file starts with code 0 and "SECTION" either way.
    let wide = bytes[22] == 0 && bytes[23] == 0;
    let mut at = SENTINEL.len();
    let mut pairs = Vec::new();
    let take = |at: &mut usize, n: usize| -> Result<&[u8], Refusal> {
        let slice = bytes
            .get(*at..*at + n)
            .ok_or_else(|| damaged(*at, "it ends in the middle of a value"))?;
        *at += n;
        Ok(slice)
    };
    while at < bytes.len() {
        let start = at;
        let code = if wide {
            i32::from(i16::from_le_bytes(
                take(&mut at, 2)?.try_into().unwrap_or_default(),
            ))
        } else {
            match take(&mut at, 1)?[0] {
                255 => i32::from(i16::from_le_bytes(
                    take(&mut at, 2)?.try_into().unwrap_or_default(),
                )),
                code => i32::from(code),
            }
        };
        let kind = stored(code)
            .ok_or_else(|| damaged(start, &format!("it has the unknown group code {code}")))?;
        let value = match kind {
            Stored::Text => {
                let end = bytes[at..]
                    .iter()
                    .position(|b| *b == 0)
                    .ok_or_else(|| damaged(at, "a text does not end"))?;
                let text = take(&mut at, end)?.to_vec();
                at += 1;
                Value::Text(text)
            }
            Stored::Double => Value::Number(f64::from_le_bytes(
                take(&mut at, 8)?.try_into().unwrap_or_default(),
            )),
            Stored::Int16 => Value::Number(f64::from(i16::from_le_bytes(
                take(&mut at, 2)?.try_into().unwrap_or_default(),
            ))),
            Stored::Int32 => Value::Number(f64::from(i32::from_le_bytes(
                take(&mut at, 4)?.try_into().unwrap_or_default(),
            ))),
            Stored::Int64 => Value::Number(i64::from_le_bytes(
                take(&mut at, 8)?.try_into().unwrap_or_default(),
            ) as f64),
            Stored::Byte => Value::Number(f64::from(take(&mut at, 1)?[0])),
            Stored::Chunk => {
                let n = usize::from(take(&mut at, 1)?[0]);
                take(&mut at, n)?;
                Value::Text(Vec::new())
            }
        };
        let pair = Pair { code, value };
        let end = pair.is(0, "EOF");
        pairs.push(pair);
        if end {
            break;
        }
    }
    Ok(pairs)
}

// --- Texts -----------------------------------------------------------------------------------------------------------------------

/// How the file's texts are encoded: UTF-8 from 2007 on, a code page with `\U+XXXX` before.
#[derive(Clone, Copy, Debug)]
struct Decoder(&'static encoding_rs::Encoding);

impl Decoder {
    fn of(version: &str, code_page: &str) -> Decoder {
        // Version words ascend with the release: AC1021 is 2007.
        if version >= "AC1021" {
            return Decoder(encoding_rs::UTF_8);
        }
        let number = code_page.rsplit('_').next().unwrap_or_default();
        let label = match number {
            "932" => "shift_jis".to_string(),
            "936" => "gbk".to_string(),
            "949" => "euc-kr".to_string(),
            "950" => "big5".to_string(),
            n => format!("windows-{n}"),
        };
        Decoder(
            encoding_rs::Encoding::for_label(label.as_bytes()).unwrap_or(encoding_rs::WINDOWS_1252),
        )
    }
    fn text(self, bytes: &[u8]) -> String {
        let text = self.0.decode_without_bom_handling(bytes).0;
        if !text.contains("\\U+") {
            return text.into_owned();
        }
        let mut out = String::with_capacity(text.len());
        let mut rest = text.as_ref();
        while let Some(at) = rest.find("\\U+") {
            out.push_str(&rest[..at]);
            let digits = rest.get(at + 3..at + 7);
            match digits
                .and_then(|d| u32::from_str_radix(d, 16).ok())
                .and_then(char::from_u32)
            {
                Some(c) => {
                    out.push(c);
                    rest = &rest[at + 7..];
                }
                None => {
                    out.push_str("\\U+");
                    rest = &rest[at + 3..];
                }
            }
        }
        out.push_str(rest);
        out
    }
}

// --- The file's structure ----------------------------------------------------------------------------------------------------------

/// A record with those that belong to it (vertices of a polyline, attributes of an insertion).
#[derive(Clone, Debug)]
struct Record {
    kind: Arc<str>,
    pairs: Range<usize>,
    parts: Vec<(Arc<str>, Range<usize>)>,
}

#[derive(Clone, Debug, Default)]
struct Block {
    base: [f64; 3],
    entities: Vec<Record>,
}

#[derive(Clone, Debug)]
struct File {
    decoder: Decoder,
    unit_code: Option<f64>,
    /// By name in capitals: DXF names do not tell small letters from capitals.
    hidden_layers: BTreeMap<String, &'static str>,
    blocks: BTreeMap<String, Block>,
    entities: Vec<Record>,
    remarks: Vec<String>,
}

impl File {
    fn of(pairs: &[Pair]) -> Result<File, Refusal> {
        let header = |name: &str, code: i32| -> Option<&Pair> {
            let i = pairs.iter().position(|p| p.is(9, name))?;
            pairs.get(i + 1).filter(|p| p.code == code)
        };
        let ascii = |p: Option<&Pair>| {
            p.map(|p| String::from_utf8_lossy(p.bytes()).into_owned())
                .unwrap_or_default()
        };
        let decoder = Decoder::of(
            &ascii(header("$ACADVER", 1)),
            &ascii(header("$DWGCODEPAGE", 3)),
        );
        let mut file = File {
            decoder,
            unit_code: header("$INSUNITS", 70).and_then(Pair::number),
            hidden_layers: BTreeMap::new(),
            blocks: BTreeMap::new(),
            entities: Vec::new(),
            remarks: Vec::new(),
        };
        let mut section: Option<String> = None;
        let mut sections = 0;
        let mut block: Option<(String, Block)> = None;
        let mut ended = false;
        let starts: Vec<usize> = (0..pairs.len()).filter(|i| pairs[*i].code == 0).collect();
        if starts.first().is_none_or(|s| *s > 0) && !pairs.is_empty() {
            return Err(Refusal::Damaged(
                "it does not begin with a section".to_string(),
            ));
        }
        for (n, start) in starts.iter().enumerate() {
            let range = start + 1..starts.get(n + 1).copied().unwrap_or(pairs.len());
            let own = &pairs[range.clone()];
            let text = |code: i32| {
                own.iter()
                    .find(|p| p.code == code)
                    .map(|p| decoder.text(p.bytes()))
            };
            let kind: Arc<str> = String::from_utf8_lossy(pairs[*start].bytes())
                .as_ref()
                .into();
            match (section.as_deref(), kind.as_ref()) {
                (_, "EOF") => {
                    ended = true;
                    break;
                }
                (None, "SECTION") => {
                    section = Some(text(2).unwrap_or_default());
                    sections += 1;
                }
                (Some(_), "SECTION") => {
                    return Err(Refusal::Damaged(format!(
                        "its section {} does not end",
                        section.unwrap_or_default()
                    )));
                }
                (_, "ENDSEC") => section = None,
                (Some("TABLES"), "LAYER") => {
                    let number =
                        |code: i32| own.iter().find(|p| p.code == code).and_then(Pair::number);
                    let why = if number(70).is_some_and(|f| f as i64 & 1 == 1) {
                        Some("frozen")
                    } else if number(62).is_some_and(|c| c < 0.0) {
                        Some("off")
                    } else {
                        None
                    };
                    if let (Some(name), Some(why)) = (text(2), why) {
                        file.hidden_layers.insert(name.to_uppercase(), why);
                    }
                }
                (Some("BLOCKS"), "BLOCK") => {
                    let number = |code: i32| {
                        own.iter()
                            .find(|p| p.code == code)
                            .and_then(Pair::number)
                            .unwrap_or(0.0)
                    };
                    let base = [number(10), number(20), number(30)];
                    block = Some((
                        text(2).unwrap_or_default().to_uppercase(),
                        Block {
                            base,
                            entities: Vec::new(),
                        },
                    ));
                }
                (Some("BLOCKS"), "ENDBLK") => {
                    if let Some((name, done)) = block.take() {
                        file.blocks.insert(name, done);
                    }
                }
                (Some("BLOCKS"), _) => {
                    if let Some((_, b)) = &mut block {
                        add_record(&mut b.entities, kind, range);
                    }
                }
                (Some("ENTITIES"), _) => add_record(&mut file.entities, kind, range),
                _ => {}
            }
        }
        if sections == 0 {
            return Err(Refusal::Damaged(
                "it has no section; it is not a DXF file".to_string(),
            ));
        }
        if let Some(open) = section {
            return Err(Refusal::Damaged(format!(
                "it ends inside its section {open}; the file is cut off"
            )));
        }
        if !ended {
            return Err(Refusal::Damaged(
                "it has no EOF at its end; the file is cut off".to_string(),
            ));
        }
        Ok(file)
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

/// Millimetres in one unit of the drawing.
fn unit(code: Option<f64>, job: Option<Unit>) -> Result<f64, Refusal> {
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

// --- Entities --------------------------------------------------------------------------------------------------------------------

/// A linear map of space and a shift.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Matrix {
    /// Images of the axes.
    axes: [[f64; 3]; 3],
    shift: [f64; 3],
}

impl Matrix {
    fn scale(k: f64) -> Matrix {
        Matrix {
            axes: [[k, 0.0, 0.0], [0.0, k, 0.0], [0.0, 0.0, k]],
            shift: [0.0; 3],
        }
    }
    fn vector(&self, v: [f64; 3]) -> [f64; 3] {
        std::array::from_fn(|i| {
            self.axes[0][i] * v[0] + self.axes[1][i] * v[1] + self.axes[2][i] * v[2]
        })
    }
    fn point(&self, p: [f64; 3]) -> [f64; 3] {
        let v = self.vector(p);
        std::array::from_fn(|i| v[i] + self.shift[i])
    }
    /// `self` after `inner`.
    fn after(&self, inner: &Matrix) -> Matrix {
        Matrix {
            axes: inner.axes.map(|a| self.vector(a)),
            shift: self.point(inner.shift),
        }
    }
    /// From an object's own coordinates to the world's by the arbitrary axis algorithm. `None` for a normal of no length.
    fn of_extrusion(n: [f64; 3]) -> Option<Matrix> {
        let n = unit_vector(n)?;
        let near_z = n[0].abs() < 1.0 / 64.0 && n[1].abs() < 1.0 / 64.0;
        let x = unit_vector(cross(
            if near_z {
                [0.0, 1.0, 0.0]
            } else {
                [0.0, 0.0, 1.0]
            },
            n,
        ))?;
        let y = unit_vector(cross(n, x))?;
        Some(Matrix {
            axes: [x, y, n],
            shift: [0.0; 3],
        })
    }
}

fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

fn unit_vector(v: [f64; 3]) -> Option<[f64; 3]> {
    let length = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt();
    (length.is_finite() && length > 1e-12).then(|| v.map(|c| c / length))
}

/// The plane z = `elevation` of a map's inner coordinates, when it lies flat and keeps area.
fn flat_plane(matrix: &Matrix, elevation: f64) -> Option<Plane> {
    let [x, y, _] = matrix.axes;
    let flat = |v: [f64; 3]| v[2].abs() <= FLAT_SHARE * v[0].hypot(v[1]);
    let o = matrix.point([0.0, 0.0, elevation]);
    let plane = Plane {
        x: point(x[0], x[1]),
        y: point(y[0], y[1]),
        origin: point(o[0], o[1]),
    };
    let keeps_area = plane.x.cross(plane.y).abs() > 1e-9 * plane.x.length() * plane.y.length();
    (flat(x) && flat(y) && keeps_area).then_some(plane)
}

/// Where entities stand.
#[derive(Clone, Debug)]
struct Frame {
    matrix: Matrix,
    /// The layer that layer 0 stands for inside a block.
    layer: Option<Arc<str>>,
    around: Vec<Arc<str>>,
    hidden: Option<&'static str>,
    /// Blocks that are being inserted.
    open: Vec<String>,
}

struct Walk<'a> {
    file: &'a File,
    pairs: &'a [Pair],
    out: Vec<Entity>,
    overflow: bool,
}

/// Values of one record.
struct Values<'a>(&'a [Pair]);

impl Values<'_> {
    fn find(&self, code: i32) -> Option<&Pair> {
        self.0.iter().find(|p| p.code == code)
    }
    /// A number, the default when absent; the error names the code of one that cannot be read.
    fn number(&self, code: i32, default: f64) -> Result<f64, String> {
        match self.find(code) {
            None => Ok(default),
            Some(p) => finite(p),
        }
    }
    fn needed(&self, code: i32) -> Result<f64, String> {
        self.find(code)
            .ok_or_else(|| format!("lacks its value {code}"))
            .and_then(finite)
    }
    fn flags(&self, code: i32) -> i64 {
        self.find(code).and_then(Pair::number).unwrap_or(0.0) as i64
    }
    fn point3(&self, code: i32) -> Result<[f64; 3], String> {
        Ok([
            self.needed(code)?,
            self.needed(code + 10)?,
            self.number(code + 20, 0.0)?,
        ])
    }
    fn all(&self, code: i32) -> Result<Vec<f64>, String> {
        self.0
            .iter()
            .filter(|p| p.code == code)
            .map(finite)
            .collect()
    }
    fn extrusion(&self) -> Result<Matrix, String> {
        let n = [
            self.number(210, 0.0)?,
            self.number(220, 0.0)?,
            self.number(230, 1.0)?,
        ];
        Matrix::of_extrusion(n).ok_or_else(|| "has an extrusion of no direction".to_string())
    }
}

fn finite(p: &Pair) -> Result<f64, String> {
    match p.number() {
        Some(n) if n.is_finite() => Ok(n),
        _ => Err(format!(
            "has a value {} that is not a finite number",
            p.code
        )),
    }
}

const NOT_FLAT: &str = "does not lie flat in the drawing's plane";

impl<'a> Walk<'a> {
    /// A record's own values: extended data and embedded objects, which use the same codes for other things, are left out.
    fn values(&self, range: &Range<usize>) -> Values<'a> {
        let all = &self.pairs[range.clone()];
        let end = all
            .iter()
            .position(|p| p.code >= 1000 || p.code == 101)
            .unwrap_or(all.len());
        Values(&all[..end])
    }

    fn layer_of(&self, values: &Values<'_>, frame: &Frame) -> Arc<str> {
        let own = values
            .find(8)
            .map_or_else(|| "0".to_string(), |p| self.file.decoder.text(p.bytes()));
        match &frame.layer {
            Some(outer) if own == "0" => outer.clone(),
            _ => own.into(),
        }
    }

    fn entities(&mut self, records: &[Record], frame: &Frame) {
        for record in records {
            if self.out.len() >= MOST_ENTITIES {
                self.overflow = true;
                return;
            }
            let values = self.values(&record.pairs);
            let layer = self.layer_of(&values, frame);
            let paper = (values.flags(67) == 1).then_some("paper space");
            let unseen = (values.flags(60) == 1).then_some("invisible");
            let by_layer = self.file.hidden_layers.get(&layer.to_uppercase()).copied();
            let hidden = frame.hidden.or(paper).or(by_layer).or(unseen);
            let what = match record.kind.as_ref() {
                "INSERT" => self.insert(record, &values, &layer, hidden, frame),
                _ => self
                    .geometry(record, &values, frame)
                    .unwrap_or_else(What::Broken),
            };
            let at = match &what {
                What::Run(run) => run.segments.first().map(Segment::start),
                _ => self.place(&values, frame),
            };
            self.out.push(Entity {
                kind: record.kind.clone(),
                layer: layer.clone(),
                around: frame.around.clone(),
                hidden,
                at,
                what,
            });
            for (kind, range) in &record.parts {
                if kind.as_ref() == "ATTRIB" {
                    let values = self.values(range);
                    self.out.push(Entity {
                        kind: kind.clone(),
                        layer: self.layer_of(&values, frame),
                        around: frame.around.clone(),
                        hidden,
                        at: self.place(&values, frame),
                        what: What::Other("is a text".to_string()),
                    });
                }
            }
        }
    }

    /// Where an entity that is not cut stands: its first point.
    fn place(&self, values: &Values<'_>, frame: &Frame) -> Option<Point> {
        let own = [
            values.number(10, f64::NAN).ok()?,
            values.number(20, f64::NAN).ok()?,
            values.number(30, 0.0).ok()?,
        ];
        let p = frame.matrix.point(own);
        let p = point(p[0], p[1]);
        p.is_finite().then_some(p)
    }

    fn geometry(
        &self,
        record: &Record,
        values: &Values<'_>,
        frame: &Frame,
    ) -> Result<What, String> {
        let other = |what: &str| Ok(What::Other(what.to_string()));
        match record.kind.as_ref() {
            "LINE" => self.line(values, frame),
            "ARC" | "CIRCLE" => self.arc(record.kind.as_ref() == "ARC", values, frame),
            "LWPOLYLINE" => self.lwpolyline(values, frame),
            "POLYLINE" => self.polyline(record, values, frame),
            "ELLIPSE" => self.ellipse(values, frame),
            "SPLINE" => self.spline(values, frame),
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

    fn line(&self, values: &Values<'_>, frame: &Frame) -> Result<What, String> {
        let (a, b) = (
            frame.matrix.point(values.point3(10)?),
            frame.matrix.point(values.point3(11)?),
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

    fn plane(&self, values: &Values<'_>, frame: &Frame, elevation: f64) -> Result<Plane, String> {
        flat_plane(&frame.matrix.after(&values.extrusion()?), elevation)
            .ok_or_else(|| NOT_FLAT.to_string())
    }

    fn arc(&self, is_arc: bool, values: &Values<'_>, frame: &Frame) -> Result<What, String> {
        let c = values.point3(10)?;
        let plane = self.plane(values, frame, c[2])?;
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

    fn lwpolyline(&self, values: &Values<'_>, frame: &Frame) -> Result<What, String> {
        let plane = self.plane(values, frame, values.number(38, 0.0)?)?;
        let mut corners: Vec<(Point, f64)> = Vec::new();
        for p in values.0 {
            match (p.code, corners.last_mut()) {
                (10, _) => corners.push((point(finite(p)?, f64::NAN), 0.0)),
                (20, Some(last)) => last.0.y = finite(p)?,
                (42, Some(last)) => last.1 = finite(p)?,
                _ => {}
            }
        }
        Ok(self.corners(&plane, &corners, values.flags(70) & 1 == 1))
    }

    /// A run through corners with the bulges that leave them.
    fn corners(&self, plane: &Plane, corners: &[(Point, f64)], closed: bool) -> What {
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
        &self,
        record: &Record,
        values: &Values<'_>,
        frame: &Frame,
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
            let vertex = self.values(range);
            // Bit 16: a control point of the frame of a fitted spline, which is not on the curve.
            if kind.as_ref() != "VERTEX" || vertex.flags(70) & 16 != 0 {
                continue;
            }
            corners.push((
                point(vertex.needed(10)?, vertex.needed(20)?),
                vertex.number(42, 0.0)?,
            ));
        }
        let plane = self.plane(values, frame, values.number(30, 0.0)?)?;
        Ok(self.corners(&plane, &corners, flags & 1 == 1))
    }

    fn ellipse(&self, values: &Values<'_>, frame: &Frame) -> Result<What, String> {
        let centre = frame.matrix.point(values.point3(10)?);
        let major = values.point3(11)?;
        let ratio = values.needed(40)?;
        let normal = [
            values.number(210, 0.0)?,
            values.number(220, 0.0)?,
            values.number(230, 1.0)?,
        ];
        let normal = unit_vector(normal).ok_or("has an extrusion of no direction")?;
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
        let (u, v) = (frame.matrix.vector(major), frame.matrix.vector(minor));
        if u[2].abs() > FLAT_SHARE * u[0].hypot(u[1]) || v[2].abs() > FLAT_SHARE * v[0].hypot(v[1])
        {
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

    fn spline(&self, values: &Values<'_>, frame: &Frame) -> Result<What, String> {
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
            .map(|i| {
                frame
                    .matrix
                    .point([xs[i], ys[i], zs.get(i).copied().unwrap_or(0.0)])
            })
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
            &spline(degree, &knots, &weighted).map_err(|why| format!("is a spline and {why}"))?,
        );
        let closed = match (segments.first(), segments.last()) {
            (Some(first), Some(last)) => first.start().distance(last.end()) < 1e-6,
            _ => false,
        };
        Ok(Run::checked(segments, closed))
    }

    fn insert(
        &mut self,
        record: &Record,
        values: &Values<'_>,
        layer: &Arc<str>,
        hidden: Option<&'static str>,
        frame: &Frame,
    ) -> What {
        match self.try_insert(record, values, layer, hidden, frame) {
            Ok(()) => What::Container,
            Err(why) => What::Broken(why),
        }
    }

    fn try_insert(
        &mut self,
        _record: &Record,
        values: &Values<'_>,
        layer: &Arc<str>,
        hidden: Option<&'static str>,
        frame: &Frame,
    ) -> Result<(), String> {
        let name = values
            .find(2)
            .map(|p| self.file.decoder.text(p.bytes()))
            .ok_or("names no block")?;
        let key = name.to_uppercase();
        let file = self.file;
        let Some(block) = file.blocks.get(&key) else {
            return Err(format!(
                "inserts the block {name}, which the drawing does not have"
            ));
        };
        if frame.open.contains(&key) {
            return Err(format!("inserts the block {name} into itself"));
        }
        if frame.open.len() >= DEEPEST {
            return Err(format!("lies more than {DEEPEST} blocks deep"));
        }
        let at = values.point3(10)?;
        let scale = [
            values.number(41, 1.0)?,
            values.number(42, 1.0)?,
            values.number(43, 1.0)?,
        ];
        if scale.iter().any(|s| s.abs() < 1e-12) {
            return Err("scales its block to nothing".to_string());
        }
        let (s, c) = values.number(50, 0.0)?.to_radians().sin_cos();
        // Exact quarter turns keep straight edges straight.
        let (s, c) = if s.abs() < 1e-15 {
            (0.0, c.signum())
        } else if c.abs() < 1e-15 {
            (s.signum(), 0.0)
        } else {
            (s, c)
        };
        let extrusion = values.extrusion()?;
        let count = |code: i32| {
            values
                .number(code, 1.0)
                .map(|n| n.clamp(1.0, 32_767.0) as u32)
        };
        let (columns, rows) = (count(70)?, count(71)?);
        let (dx, dy) = (values.number(44, 0.0)?, values.number(45, 0.0)?);
        if u64::from(columns) * u64::from(rows) * block.entities.len().max(1) as u64
            > MOST_ENTITIES as u64
        {
            self.overflow = true;
            return Ok(());
        }
        let mut around = frame.around.clone();
        around.push(layer.clone());
        let mut open = frame.open.clone();
        open.push(key);
        // An insertion on a frozen layer takes its whole block away; one on a layer that is off, only what follows its layer.
        let inner_hidden = hidden.filter(|why| *why != "off");
        for row in 0..rows {
            for column in 0..columns {
                let step = [f64::from(column) * dx, f64::from(row) * dy, 0.0];
                let turn = Matrix {
                    axes: [[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]],
                    shift: at,
                };
                let stretch = Matrix {
                    axes: [
                        [scale[0], 0.0, 0.0],
                        [0.0, scale[1], 0.0],
                        [0.0, 0.0, scale[2]],
                    ],
                    shift: std::array::from_fn(|i| step[i] - scale[i] * block.base[i]),
                };
                let inner = Frame {
                    matrix: frame.matrix.after(&extrusion).after(&turn).after(&stretch),
                    layer: Some(layer.clone()),
                    around: around.clone(),
                    hidden: inner_hidden,
                    open: open.clone(),
                };
                self.entities(&block.entities, &inner);
                if self.overflow {
                    return Ok(());
                }
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::Contour;

    /// A file of these entities, each a list of "code value" words; values hold no blanks.
    fn file(header: &str, tables: &str, blocks: &str, entities: &str) -> String {
        let section = |name: &str, words: &str| format!("0 SECTION 2 {name} {words} 0 ENDSEC ");
        let all = format!(
            "{}{}{}{}0 EOF",
            section("HEADER", header),
            section("TABLES", tables),
            section("BLOCKS", blocks),
            section("ENTITIES", entities)
        );
        let words: Vec<&str> = all.split_whitespace().collect();
        words
            .chunks(2)
            .map(|w| format!("{}\n{}\n", w[0], w[1]))
            .collect()
    }

    const MM: &str = "9 $INSUNITS 70 4";

    fn entities(blocks: &str, entities: &str) -> Vec<Entity> {
        read(file(MM, "", blocks, entities).as_bytes(), None)
            .unwrap()
            .entities
    }

    fn contour(e: &Entity) -> Contour {
        let What::Run(run) = &e.what else {
            panic!("{e:?}")
        };
        Contour::from_segments(&run.segments, run.closed)
    }

    fn only_arc(e: &Entity) -> Segment {
        let What::Run(run) = &e.what else {
            panic!("{e:?}")
        };
        assert_eq!(run.segments.len(), 1);
        run.segments[0]
    }

    #[test]
    fn bulges_of_the_reference() {
        // reference-facts section 4, DXF checks.
        let found = entities(
            "",
            "0 LWPOLYLINE 8 a 90 2 70 0 10 0 20 0 42 1 10 10 20 0
             0 LWPOLYLINE 8 a 90 2 70 0 10 0 20 0 42 -0.414213562 10 10 20 0
             0 LWPOLYLINE 8 a 90 2 70 1 10 0 20 0 42 1 10 20 20 0 42 1
             0 LWPOLYLINE 8 a 90 8 70 1 10 10 20 0 10 90 20 0 42 0.414213562373 10 100 20 10 10 100 20 40 42 0.414213562373
               10 90 20 50 10 10 20 50 42 0.414213562373 10 0 20 40 10 0 20 10 42 0.414213562373",
        );
        let Segment::Arc { centre, radius, .. } = only_arc(&found[0]) else {
            panic!()
        };
        assert!(centre.distance(point(5.0, 0.0)) < 1e-9 && (radius - 5.0).abs() < 1e-9);
        assert!(only_arc(&found[0]).at(0.5).distance(point(5.0, -5.0)) < 1e-9);
        let Segment::Arc { centre, radius, .. } = only_arc(&found[1]) else {
            panic!()
        };
        assert!(centre.distance(point(5.0, -5.0)) < 1e-6 && (radius - 7.071_068).abs() < 1e-6);
        assert!(only_arc(&found[1]).at(0.5).distance(point(5.0, 2.071_068)) < 1e-6);
        assert!((contour(&found[2]).area() - 314.159_265).abs() < 1e-6);
        assert!((contour(&found[3]).area() - 4_914.159_265).abs() < 1e-6);
        assert!((contour(&found[3]).length() - 282.831_853).abs() < 1e-6);
    }

    #[test]
    fn extrusion_downwards_mirrors() {
        // reference-facts section 4: ARC c (10,5) r 3, 0° to 90°, extrusion (0,0,−1): centre (−10,5), ends (−10,8) and (−13,5).
        let found = entities(
            "",
            "0 ARC 8 a 10 10 20 5 30 0 40 3 50 0 51 90 210 0 220 0 230 -1
             0 LWPOLYLINE 8 a 90 2 70 0 10 0 20 0 42 1 10 10 20 0 210 0 220 0 230 -1",
        );
        let s = only_arc(&found[0]);
        let Segment::Arc { centre, sweep, .. } = s else {
            panic!()
        };
        assert!(centre.distance(point(-10.0, 5.0)) < 1e-9);
        assert!(
            s.start().distance(point(-13.0, 5.0)) < 1e-9
                && s.end().distance(point(-10.0, 8.0)) < 1e-9
        );
        assert!(
            (sweep + std::f64::consts::FRAC_PI_2).abs() < 1e-9,
            "seen from above it runs clockwise: {sweep}"
        );
        // The bulge's sign flips: the arc from (0,0) to (−10,0) still passes below.
        assert!(only_arc(&found[1]).at(0.5).distance(point(-5.0, -5.0)) < 1e-9);
    }

    #[test]
    fn insertions() {
        let block = "0 BLOCK 2 part 10 1 20 1 30 0 0 CIRCLE 8 0 10 3 20 1 40 1 0 LINE 8 own 10 1 20 1 11 2 21 1 0 ENDBLK
                     0 BLOCK 2 pair 10 0 20 0 30 0 0 INSERT 8 0 2 PART 10 0 20 0 41 -1 42 1 0 ENDBLK";
        let found = entities(
            block,
            "0 INSERT 8 a 2 part 10 100 20 50 41 2 42 2 50 90 70 2 71 1 44 10
             0 INSERT 8 a 2 pair 10 0 20 0
             0 INSERT 8 a 2 part 10 0 20 0 41 3 42 1
             0 INSERT 8 a 2 none 10 0 20 0",
        );
        let kinds: Vec<(&str, &str)> = found
            .iter()
            .map(|e| (e.kind.as_ref(), e.layer.as_ref()))
            .collect();
        let expected = [
            ("CIRCLE", "a"),
            ("LINE", "own"),
            ("CIRCLE", "a"),
            ("LINE", "own"),
            ("INSERT", "a"),
            ("CIRCLE", "a"),
            ("LINE", "own"),
            ("INSERT", "a"),
            ("INSERT", "a"),
            ("CIRCLE", "a"),
            ("LINE", "own"),
            ("INSERT", "a"),
            ("INSERT", "a"),
        ];
        assert_eq!(kinds, expected);
        // insertion + Rot(90°)·(2·((3,1) − (1,1)) + (10·column, 0)): (100, 54), next column (100, 64), r 2. Spacing is not scaled.
        let centre = |e: &Entity| {
            let c = contour(e);
            (c.bounds().centre(), c.bounds().width() / 2.0)
        };
        let (c, r) = centre(&found[0]);
        assert!(c.distance(point(100.0, 54.0)) < 1e-9 && (r - 2.0).abs() < 1e-9);
        assert!(centre(&found[2]).0.distance(point(100.0, 64.0)) < 1e-9);
        // Mirrored and nested: (3,1) − base (1,1) → (2,0) → (−2,0).
        assert!(centre(&found[5]).0.distance(point(-2.0, 0.0)) < 1e-9);
        // Stretched: a circle becomes an ellipse of 3 and 1, area 3π.
        assert!((contour(&found[9]).area().abs() - 3.0 * std::f64::consts::PI).abs() < 0.1);
        assert!(matches!(&found[12].what, What::Broken(why) if why.contains("none")));
    }

    #[test]
    fn a_turned_insertion_in_a_stretched_one_is_sheared() {
        let blocks = "0 BLOCK 2 hinge 10 5 20 3 0 LINE 8 a 10 0 20 0 11 20 21 8 0 CIRCLE 8 a 10 5 20 3 40 10 0 ENDBLK
            0 BLOCK 2 pair 10 -2 20 1 0 INSERT 8 a 2 hinge 10 10 20 0 41 -1 50 30 0 ENDBLK";
        let found = entities(
            blocks,
            "0 INSERT 8 a 2 pair 10 0 20 350 41 1.3 42 0.8 210 0 220 0 230 -1",
        );
        // By hand: (0,0) − base → (−5,−3) → mirrored (5,−3) → turned (5.830127, −0.098076) → + (10,0) − base (−2,1) = (17.830127,
        // −1.098076) → stretched (23.179165, −0.878461) → + (0,350), x turned round: (−23.179165, 349.121539). (20,8) likewise.
        let What::Run(run) = &found[0].what else {
            panic!()
        };
        assert!(
            run.segments[0]
                .start()
                .distance(point(-23.179_165, 349.121_539))
                < 1e-6
        );
        assert!(
            run.segments[0]
                .end()
                .distance(point(4.537_495, 346.664_102))
                < 1e-6
        );
        // The circle's area is scaled by the two factors: 1.3 · 0.8 · 100π.
        assert!((contour(&found[1]).area().abs() - 104.0 * std::f64::consts::PI).abs() < 0.7);
    }

    #[test]
    fn blocks_in_themselves_and_bombs() {
        let found = entities(
            "0 BLOCK 2 a 10 0 20 0 0 INSERT 8 0 2 a 10 0 20 0 0 ENDBLK",
            "0 INSERT 8 l 2 a 10 0 20 0",
        );
        assert!(matches!(&found[0].what, What::Broken(why) if why.contains("itself")));
        let nest = |n: usize| {
            format!(
                "0 BLOCK 2 b{n} 10 0 20 0 0 INSERT 8 0 2 b{} 10 0 20 0 70 100 71 100 44 1 45 1 0 ENDBLK ",
                n + 1
            )
        };
        let blocks: String = (0..10).map(nest).collect::<String>()
            + "0 BLOCK 2 b10 10 0 20 0 0 LINE 8 0 10 0 20 0 11 1 21 1 0 ENDBLK";
        let bomb = file(MM, "", &blocks, "0 INSERT 8 l 2 b0 10 0 20 0");
        assert!(
            matches!(read(bomb.as_bytes(), None), Err(Refusal::Damaged(why)) if why.contains("entities"))
        );
    }

    #[test]
    fn what_the_format_leaves_out_and_what_is_not_cut() {
        let tables = "0 TABLE 2 LAYER 0 LAYER 2 cold 70 1 62 7 0 LAYER 2 dark 70 0 62 -3 0 LAYER 2 lit 70 4 62 3 0 ENDTAB";
        let blocks = "0 BLOCK 2 b 10 0 20 0 0 LINE 8 lit 10 0 20 0 11 1 21 0 0 LINE 8 0 10 0 20 0 11 1 21 0 0 ENDBLK
                      0 BLOCK 2 *Paper_Space0 10 0 20 0 0 LINE 8 lit 10 0 20 0 11 1 21 0 0 ENDBLK";
        let words = "0 LINE 8 Cold 10 0 20 0 11 1 21 0 0 LINE 8 DARK 10 0 20 0 11 1 21 0 0 LINE 8 lit 10 0 20 0 11 1 21 0
            0 LINE 8 lit 67 1 10 0 20 0 11 1 21 0 0 INSERT 8 cold 2 b 10 0 20 0 0 INSERT 8 dark 2 b 10 0 20 0
            0 TEXT 8 lit 10 4 20 5 1 words 0 HATCH 8 lit 10 0 20 0 0 SOMETHING_NEW 8 lit 10 0 20 0
            0 POLYLINE 8 lit 66 1 70 8 0 VERTEX 8 lit 10 0 20 0 30 0 0 VERTEX 8 lit 10 1 20 0 30 9 0 SEQEND
            0 POLYLINE 8 lit 66 1 70 64 0 SEQEND 0 LINE 8 lit 10 0 20 0 30 0 11 1 21 0 31 5
            0 CIRCLE 8 lit 10 0 20 0 40 3 210 1 220 0 230 0 0 LINE 8 lit 10 x 20 0 11 1 21 0 0 LINE 8 lit 10 0 20 0
            0 CIRCLE 8 lit 10 0 20 0 40 -3 0 LINE 8 lit 10 1 20 1 11 1 21 1 0 LINE 8 lit 10 1e9 20 1 11 1 21 1
            0 INSERT 8 lit 2 b 10 0 20 0 66 1 0 ATTRIB 8 lit 10 0 20 0 1 note 0 SEQEND";
        let found = read(file(MM, tables, blocks, words).as_bytes(), None)
            .unwrap()
            .entities;
        let show = |e: &Entity| match (&e.hidden, &e.what) {
            (Some(h), _) => (*h).to_string(),
            (None, What::Run(_)) => "run".to_string(),
            (None, What::Container) => "container".to_string(),
            (None, What::Other(w)) => format!("other {w}"),
            (None, What::Broken(w)) => format!("broken {w}"),
        };
        let shown: Vec<String> = found
            .iter()
            .map(|e| format!("{} {}", e.kind, show(e)))
            .collect();
        let expected = [
            "LINE frozen",
            "LINE off",
            "LINE run",
            "LINE paper space",
            "LINE frozen",
            "LINE frozen",
            "INSERT frozen",
            "LINE run",
            "LINE off",
            "INSERT off",
            "TEXT other is a text",
            "HATCH other is a filled area",
            "SOMETHING_NEW other is of a type that is not read",
            "POLYLINE broken is a polyline in space",
            "POLYLINE other is a mesh",
            "LINE broken does not lie flat in the drawing's plane",
            "CIRCLE broken does not lie flat in the drawing's plane",
            "LINE broken has a value 10 that is not a finite number",
            "LINE broken lacks its value 11",
            "CIRCLE broken has the radius -3",
            "LINE other has no length",
            "LINE broken lies more than 100 m from the origin",
            "LINE run",
            "LINE run",
            "INSERT container",
            "ATTRIB other is a text",
            "LINE paper space",
        ];
        assert_eq!(shown, expected);
    }

    #[test]
    fn units() {
        let read_in = |header: &str, job: Option<Unit>| {
            let words = "0 LINE 8 a 10 0 20 0 11 2 21 0";
            read(file(header, "", "", words).as_bytes(), job)
                .map(|c| contour(&c.entities[0]).length())
        };
        let insunits = |n: i32| format!("9 $INSUNITS 70 {n}");
        // $INSUNITS of the published reference.
        for (n, mm) in [
            (1, 50.8),
            (2, 609.6),
            (4, 2.0),
            (5, 20.0),
            (6, 2000.0),
            (9, 0.0508),
            (13, 0.002),
            (14, 200.0),
            (21, 609.601_219_2),
        ] {
            assert!(
                (read_in(&insunits(n), None).unwrap() - mm).abs() < 1e-6 * mm,
                "{n}"
            );
        }
        assert!((read_in(&insunits(0), Some(Unit::Inch)).unwrap() - 50.8).abs() < 1e-9);
        assert!((read_in("", Some(Unit::Mm)).unwrap() - 2.0).abs() < 1e-9);
        for (header, job) in [
            ("", None),
            (insunits(0).as_str(), None),
            (insunits(4).as_str(), Some(Unit::Inch)),
            (insunits(20).as_str(), None),
        ] {
            assert!(
                matches!(read_in(header, job), Err(Refusal::Unit(_))),
                "{header}"
            );
        }
    }

    #[test]
    fn names_in_code_pages_and_escapes() {
        let layer = |version: &str, page: &str, name: &[u8]| {
            let header = format!("9 $ACADVER 1 {version} 9 $DWGCODEPAGE 3 {page} {MM}");
            let text = file(&header, "", "", "0 LINE 8 NAME 10 0 20 0 11 2 21 0");
            let at = text.find("NAME").unwrap();
            let mut bytes = text.as_bytes()[..at].to_vec();
            bytes.extend_from_slice(name);
            bytes.extend_from_slice(&text.as_bytes()[at + 4..]);
            read(&bytes, None).unwrap().entities[0].layer.to_string()
        };
        assert_eq!(
            layer("AC1015", "ANSI_1252", b"fr\xE4sen \\U+00D8"),
            "fräsen Ø"
        );
        assert_eq!(layer("AC1009", "ANSI_1251", b"\xEF\xE0\xE7"), "паз");
        assert_eq!(layer("AC1015", "ANSI_932", b"\x96\xD8"), "木");
        assert_eq!(layer("AC1027", "ANSI_1252", "fräsen".as_bytes()), "fräsen");
    }

    #[test]
    fn damaged_and_cut_off_files_are_sentences() {
        let whole = file(
            MM,
            "",
            "",
            "0 LINE 8 a 10 0 20 0 11 2 21 0 0 CIRCLE 8 a 10 5 20 5 40 2",
        );
        assert!(read(whole.as_bytes(), None).is_ok());
        assert!(read(whole.replace('\n', "\r\n").as_bytes(), None).is_ok());
        assert!(read(whole.replace('\n', "\r").as_bytes(), None).is_ok());
        // Cut off anywhere, it is refused; only its last line end may be missing.
        for end in 0..whole.len() - 4 {
            assert!(
                matches!(
                    read(&whole.as_bytes()[..end], None),
                    Err(Refusal::Damaged(_))
                ),
                "cut off at {end}"
            );
        }
        for garbage in [
            &b"\x00\xFF\x13garbage"[..],
            b"",
            b"0",
            b"%PDF-1.4\n1 0 obj\n",
            &[b'9'; 4000],
        ] {
            assert!(matches!(read(garbage, None), Err(Refusal::Damaged(_))));
        }
        // Every single line replaced by nonsense either reads, with the loss named, or is refused; nothing panics.
        let lines: Vec<&str> = whole.lines().collect();
        for i in 0..lines.len() {
            for nonsense in ["", "x", "-1", "999999999999", "1e400", "nan"] {
                let mut changed = lines.clone();
                changed[i] = nonsense;
                let _ = read(changed.join("\n").as_bytes(), Some(Unit::Mm));
            }
        }
    }
}
