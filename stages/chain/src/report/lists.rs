//! The lists as CSV (RFC 4180): one header line, stable columns, lines ended by CR LF.

use super::document::{CutRow, OrderRow, ReportDocument};
use super::show::Show;
use grainway_pipeline::stage::Fault;

/// A text that a spreadsheet shows and does not compute: what begins like a formula gets an apostrophe before it.
fn text(s: &str) -> String {
    if s.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        format!("'{s}")
    } else {
        s.to_string()
    }
}

fn maybe(s: Option<&String>) -> String {
    s.map(|s| text(s)).unwrap_or_default()
}

/// A list with one header line. Columns of lengths end in their unit: that of the programs.
fn table(
    u: Show,
    header: &[&str],
    rows: impl Iterator<Item = Vec<String>>,
) -> Result<Vec<u8>, Fault> {
    let header = header.iter().map(|h| match h.strip_suffix("-mm") {
        Some(what) => format!("{what}-{}", u.word()),
        None => h.to_string(),
    });
    let failed = |e: csv::Error| Fault::new(format!("a list could not be written: {e}"));
    let mut out = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    out.write_record(header.collect::<Vec<String>>())
        .map_err(failed)?;
    for row in rows {
        out.write_record(&row).map_err(failed)?;
    }
    out.into_inner()
        .map_err(|e| Fault::new(format!("a list could not be written: {e}")))
}

/// Every part: how many, finished, and, where other machines dimension it, the rough size and what they do.
pub(super) fn parts_list(report: &ReportDocument) -> Result<Vec<u8>, Fault> {
    let u = Show::of_report(report);
    let header = [
        "part",
        "name",
        "count",
        "stock",
        "wood",
        "length-mm",
        "width-mm",
        "thickness-mm",
        "rough-length-mm",
        "rough-width-mm",
        "rough-thickness-mm",
        "other-machines",
    ];
    table(
        u,
        &header,
        report.parts.iter().map(|p| {
            let rough = |i: usize| p.rough.map(|r| u.len(r[i])).unwrap_or_default();
            let elsewhere = match p.rough {
                Some(_) => "plane and saw to the finished size",
                None => "",
            };
            vec![
                text(&p.id),
                maybe(p.name.as_ref()),
                p.count.to_string(),
                text(&p.stock),
                text(&p.wood),
                u.len(p.size[0]),
                u.len(p.size[1]),
                u.len(p.thickness),
                rough(0),
                rough(1),
                rough(2),
                elsewhere.to_string(),
            ]
        }),
    )
}

/// Every cut in running order, with the line where a stopped run can be taken up.
pub(super) fn running_order(report: &ReportDocument) -> Result<Vec<u8>, Fault> {
    let u = Show::of_report(report);
    let header = [
        "setup",
        "cut",
        "piece",
        "part",
        "feature",
        "operation",
        "cutter",
        "depth-mm",
        "seconds",
        "program",
        "restart-line",
    ];
    let cuts = report.setups.iter().flat_map(|s| {
        s.order.iter().filter_map(move |o| match o {
            OrderRow::Cut(c) => Some((s, c)),
            _ => None,
        })
    });
    table(
        u,
        &header,
        cuts.map(|(s, c): (_, &CutRow)| {
            vec![
                text(&s.id),
                c.number.to_string(),
                maybe(c.piece.as_ref()),
                maybe(c.part.as_ref()),
                text(&c.feature),
                text(&c.operation),
                text(&c.cutter),
                u.len(c.depth),
                format!("{:.1}", c.seconds),
                maybe(c.program.as_ref()),
                c.line.map(|l| l.to_string()).unwrap_or_default(),
            ]
        }),
    )
}

/// One line a clamping: what to lay on the machine.
pub(super) fn board_list(report: &ReportDocument) -> Result<Vec<u8>, Fault> {
    let u = Show::of_report(report);
    let header = [
        "setup",
        "kind",
        "count",
        "stock",
        "wood",
        "length-mm",
        "width-mm",
        "thinnest-mm",
        "mean-mm",
        "thickest-mm",
        "pieces",
        "yield-percent",
        "programs",
    ];
    table(
        u,
        &header,
        report.setups.iter().map(|s| {
            let programs: Vec<&str> = report
                .programs
                .iter()
                .filter(|p| p.setup == s.id)
                .map(|p| p.file.as_str())
                .collect();
            vec![
                text(&s.id),
                s.kind.clone(),
                s.repeats.max(1).to_string(),
                text(&s.stock),
                text(&s.wood),
                u.len(s.size[0]),
                u.len(s.size[1]),
                u.len(s.thickness[0]),
                u.len(s.thickness[1]),
                u.len(s.thickness[2]),
                s.placements.len().to_string(),
                s.yield_percent.to_string(),
                text(&programs.join(" ")),
            ]
        }),
    )
}

/// What is left for hands.
pub(super) fn hand_work_list(report: &ReportDocument) -> Result<Vec<u8>, Fault> {
    let u = Show::of_report(report);
    let header = ["part", "count", "feature", "x-mm", "y-mm", "what", "why"];
    table(
        u,
        &header,
        report.hand_work.iter().map(|h| {
            let at = |i: usize| h.at.map(|p| u.len(p[i])).unwrap_or_default();
            vec![
                text(&h.part),
                h.count.to_string(),
                maybe(h.feature.as_ref()),
                at(0),
                at(1),
                text(&h.what),
                text(&h.why),
            ]
        }),
    )
}

#[cfg(test)]
mod tests {
    use super::super::document::HandWorkRow;
    use super::super::release::JobVerdict;
    use super::*;

    /// RFC 4180, section 2: rules 1 (CRLF), 3 (header), 5 and 7 (quotes doubled inside quotes).
    #[test]
    fn lists_follow_rfc_4180_and_compute_nothing() {
        let mut report = ReportDocument::bare("x", JobVerdict::Ready, Vec::new());
        report.hand_work.push(HandWorkRow {
            part: "=1+1".to_string(),
            count: 2,
            feature: Some("@m1".to_string()),
            at: Some([1.5, -2.0]),
            what: "square 4 corners, \"clean\"".to_string(),
            why: "line\none".to_string(),
        });
        let list = String::from_utf8(hand_work_list(&report).unwrap()).unwrap();
        assert_eq!(
            list,
            "part,count,feature,x-mm,y-mm,what,why\r\n'=1+1,2,'@m1,1.5,-2,\"square 4 corners, \"\"clean\"\"\",\"line\none\"\r\n"
        );
    }
}
