//! Labels for pieces, in the order in which they are cut: a list, and sheets to print, with a code (ISO/IEC 18004) on each.

use super::document::{OrderRow, PartRow, ReportDocument, SetupRow};
use super::furniture::letter;
use super::show::Show;
use super::svg::escaped;
use crate::csv_table::{Cell, table};
use grainway_pipeline::doc::LabelSheet;
use grainway_pipeline::work::Work;
use qrcodegen::{QrCode, QrCodeEcc};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

/// Free round the code and the text of a label, mm.
const MARGIN_MM: f64 = 3.0;
/// The code takes at most this share of a label's width; the text has the rest.
const CODE_SHARE: f64 = 0.42;
/// Light modules round a code (ISO/IEC 18004: four).
const QUIET: i32 = 4;
/// Width of a letter as a share of its height, on the average. From memory.
const LETTER: f64 = 0.55;

/// What a label says.
pub(super) struct Label {
    piece: String,
    part: String,
    name: String,
    job: Option<String>,
    /// The piece's number, and how many there are of its part.
    number: u32,
    of: u32,
    mirrored: bool,
    setup: String,
    programs: Vec<String>,
    /// Its letter in the furniture that it goes into, and the number of its set where there are several.
    mark: Option<String>,
    size: [f64; 3],
    wood: String,
    /// The text of its code.
    text: String,
}

/// The labels of all pieces, in cut order.
pub(super) fn labels(work: &Work, report: &ReportDocument) -> Vec<Label> {
    let parts: BTreeMap<&str, &PartRow> = report.parts.iter().map(|p| (p.id.as_str(), p)).collect();
    let address = work.documents.shop.labels.as_ref();
    let address = address.and_then(|l| l.address.as_deref());
    let mut seen = BTreeSet::new();
    let mut labels = Vec::new();
    for setup in &report.setups {
        for (piece, number) in pieces(setup) {
            let part = piece.split('#').next().unwrap_or(&piece);
            let Some(row) = parts.get(part) else { continue };
            if !seen.insert(piece.clone()) {
                continue;
            }
            let code = setup.code.as_deref().unwrap_or(&report.code);
            let programs = report.programs.iter().filter(|p| p.setup == setup.id);
            labels.push(Label {
                part: part.to_string(),
                name: row.name.clone().unwrap_or_default(),
                job: work.documents.job_of(part).map(|(job, _)| job.id.clone()),
                number,
                of: row.count,
                mirrored: work.part(part).is_some_and(|p| p.mirrored),
                setup: setup.id.clone(),
                programs: programs.map(|p| p.name().to_string()).collect(),
                mark: mark(work, row, number),
                size: [row.size[0], row.size[1], row.thickness],
                wood: format!("{}, {}", row.stock, row.wood),
                text: text(address, code, &piece),
                piece,
            });
        }
    }
    labels
}

/// The pieces of a setup and their numbers, as their last cuts follow one another; equal blanks one after the other.
fn pieces(setup: &SetupRow) -> Vec<(String, u32)> {
    let mut last: BTreeMap<&str, usize> = BTreeMap::new();
    for (i, row) in setup.order.iter().enumerate() {
        if let OrderRow::Cut(cut) = row
            && let Some(piece) = &cut.piece
        {
            last.insert(piece, i);
        }
    }
    let mut placed: Vec<&str> = setup.placements.iter().map(|p| p.piece.as_str()).collect();
    placed.sort_by_key(|p| last.get(p).copied().unwrap_or(usize::MAX));
    let copies = placed.into_iter().flat_map(|piece| {
        let (part, first) = piece.split_once('#').unwrap_or((piece, "1"));
        let first: u32 = first.parse().unwrap_or(1);
        (first..first.saturating_add(setup.repeats.max(1))).map(move |n| match n {
            1 => (part.to_string(), 1),
            n => (format!("{part}#{n}"), n),
        })
    });
    copies.collect()
}

/// The letter of a piece on the picture of its furniture, and its set.
fn mark(work: &Work, part: &PartRow, number: u32) -> Option<String> {
    let mut furniture = work.furniture.iter();
    let own = furniture.find(|f| f.pieces.iter().any(|p| p.part == part.id))?;
    let alike: Vec<usize> = (0..own.pieces.len())
        .filter(|i| own.pieces[*i].part == part.id)
        .collect();
    let sets = work.documents.sets_of(&part.id).max(1);
    let each = (part.count / sets).max(1);
    let (set, within) = ((number - 1) / each + 1, (number - 1) % each);
    // Alike furniture of a set stands once.
    let letter = letter(*alike.get(within as usize % alike.len())?);
    Some(match sets {
        1 => letter,
        _ => format!("set {set}, {letter}"),
    })
}

/// The text of a code: the code of the sheet and the piece, behind the address.
fn text(address: Option<&str>, code: &str, piece: &str) -> String {
    match address {
        Some(address) => format!("{address}#{code}/{}", piece.replace('#', "%23")),
        None => format!("{code} {piece}"),
    }
}

/// Page, column and row of each label, from 0.
fn places(sheet: &LabelSheet, count: usize) -> impl Iterator<Item = (usize, [usize; 2])> {
    let [columns, rows] = sheet.columns_and_rows().map(|n| n.max(1));
    (0..count).map(move |i| {
        let on_page = i % (columns * rows);
        (i / (columns * rows), [on_page % columns, on_page / columns])
    })
}

/// The corner of a label on its page, mm.
fn corner(sheet: &LabelSheet, at: [usize; 2]) -> [f64; 2] {
    std::array::from_fn(|i| sheet.first[i].mm() + at[i] as f64 * sheet.step[i].mm())
}

/// The labels as CSV, with their places on the sheets.
pub(super) fn list(labels: &[Label], sheet: &LabelSheet, report: &ReportDocument) -> Vec<u8> {
    let u = Show::of_report(report);
    let columns = "label,page,right-mm,down-mm,piece,part,name,job,number,of,hand,setup,programs,mark,length-mm,width-mm,thickness-mm,wood,code";
    let rows = labels.iter().zip(places(sheet, labels.len()));
    let rows = rows.enumerate().map(|(i, (l, (page, at)))| {
        let length = |v: f64| Cell::Plain(u.len(v));
        let [right, down] = corner(sheet, at);
        vec![
            Cell::number(i + 1),
            Cell::number(page + 1),
            length(right),
            length(down),
            l.piece.as_str().into(),
            l.part.as_str().into(),
            l.name.as_str().into(),
            (&l.job).into(),
            Cell::number(l.number),
            Cell::number(l.of),
            if l.mirrored { "mirrored" } else { "" }.into(),
            l.setup.as_str().into(),
            l.programs.join(" ").into(),
            (&l.mark).into(),
            length(l.size[0]),
            length(l.size[1]),
            length(l.size[2]),
            l.wood.as_str().into(),
            l.text.as_str().into(),
        ]
    });
    table(&columns.replace("-mm", &format!("-{}", u.word())), rows)
}

/// The sheets to print, one file a page, by name.
pub(super) fn sheets(
    labels: &[Label],
    sheet: &LabelSheet,
    report: &ReportDocument,
) -> Vec<(String, String)> {
    let u = Show::of_report(report);
    let mut pages: BTreeMap<usize, String> = BTreeMap::new();
    for (label, (page, at)) in labels.iter().zip(places(sheet, labels.len())) {
        draw(
            pages.entry(page).or_default(),
            label,
            sheet,
            corner(sheet, at),
            u,
        );
    }
    let [width, height] = sheet.page.map(|l| l.mm());
    let whole = pages.into_iter().map(|(page, drawn)| {
        let name = match page {
            0 => "labels.svg".to_string(),
            more => format!("labels-{}.svg", more + 1),
        };
        let svg = format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}mm\" height=\"{height}mm\" role=\"img\">\n<title>{}, labels, page {}</title>\n<rect width=\"{width}\" height=\"{height}\" fill=\"#ffffff\"/>\n{drawn}</svg>\n",
            escaped(&report.job),
            page + 1
        );
        (name, svg)
    });
    whole.collect()
}

fn draw(out: &mut String, label: &Label, sheet: &LabelSheet, [x, y]: [f64; 2], u: Show) {
    let [width, height] = sheet.label.map(|l| l.mm());
    let _ = writeln!(out, "<g transform=\"translate({x:.3} {y:.3})\">");
    let _ = writeln!(
        out,
        "<rect width=\"{width}\" height=\"{height}\" fill=\"none\" stroke=\"#bbbbbb\" stroke-width=\"0.1\"/>"
    );
    let side = (height - 2.0 * MARGIN_MM).min(CODE_SHARE * width).max(0.0);
    code(out, &label.text, (height - side) / 2.0, side);
    let size = label.size.map(|l| u.len(l)).join(" × ");
    let number = match label.of {
        1 => String::new(),
        of => format!(", {} of {of}", label.number),
    };
    let mark = label.mark.as_ref().map(|m| format!("goes to {m}"));
    let lines = [
        Some(format!("{}{number}", label.name)),
        Some(label.piece.clone()),
        Some(size),
        Some(label.wood.clone()),
        Some(format!("{}: {}", label.setup, label.programs.join(", "))),
        mark,
    ];
    let room = width - side - 3.0 * MARGIN_MM;
    let line = (height - 2.0 * MARGIN_MM) / lines.len() as f64;
    for (i, text) in lines.into_iter().flatten().enumerate() {
        let letters = text.chars().count().max(1) as f64;
        // A long line is set smaller, so that it stays on its label.
        let high = (0.72 * line).min(room / (LETTER * letters));
        let down = MARGIN_MM + (i as f64 + 0.78) * line;
        let weight = if i == 0 { " font-weight=\"bold\"" } else { "" };
        let _ = writeln!(
            out,
            "<text x=\"{:.2}\" y=\"{down:.2}\" font-family=\"sans-serif\" font-size=\"{high:.2}\"{weight}>{}</text>",
            side + 2.0 * MARGIN_MM,
            escaped(&text)
        );
    }
    out.push_str("</g>\n");
}

/// A code of this side, mm, its light border included.
fn code(out: &mut String, text: &str, down: f64, side: f64) {
    // Only a text of thousands of letters has no code; the label says it in words all the same.
    let Ok(code) = QrCode::encode_text(text, QrCodeEcc::Medium) else {
        return;
    };
    let modules = code.size();
    let unit = side / f64::from(modules + 2 * QUIET);
    let mut path = String::new();
    for row in 0..modules {
        for column in (0..modules).filter(|c| code.get_module(*c, row)) {
            let _ = write!(path, "M{} {}h1v1h-1z", column + QUIET, row + QUIET);
        }
    }
    let _ = writeln!(
        out,
        "<path transform=\"translate({MARGIN_MM} {down:.3}) scale({unit:.5})\" d=\"{path}\" fill=\"#000000\"/>"
    );
}
