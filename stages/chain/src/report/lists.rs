//! The lists as CSV: stable columns, lengths in the unit of the programs.

use super::document::{OrderRow, ReportDocument};
use super::show::Show;
use crate::csv_table::{Cell, table};

/// Columns of lengths end in their unit.
fn in_unit(u: Show, columns: &str) -> String {
    columns.replace("-mm", &format!("-{}", u.word()))
}

/// Every part: how many, finished, and, where other machines dimension it, the rough size and what they do.
pub(super) fn parts_list(report: &ReportDocument) -> Vec<u8> {
    let u = Show::of_report(report);
    let columns = "part,name,count,stock,wood,length-mm,width-mm,thickness-mm,rough-length-mm,rough-width-mm,rough-thickness-mm,other-machines";
    let rows = report.parts.iter().map(|p| {
        let length = |l: f64| Cell::Plain(u.len(l));
        let rough = |i: usize| p.rough.map_or("".into(), |r| length(r[i]));
        let elsewhere = match p.rough {
            Some(_) => "plane and saw to the finished size",
            None => "",
        };
        vec![
            p.id.as_str().into(),
            (&p.name).into(),
            Cell::number(p.count),
            p.stock.as_str().into(),
            p.wood.as_str().into(),
            length(p.size[0]),
            length(p.size[1]),
            length(p.thickness),
            rough(0),
            rough(1),
            rough(2),
            elsewhere.into(),
        ]
    });
    table(&in_unit(u, columns), rows)
}

/// Every cut in running order, with the lines where a stopped run can be taken up.
pub(super) fn running_order(report: &ReportDocument) -> Vec<u8> {
    let u = Show::of_report(report);
    let columns = "setup,cut,piece,part,feature,operation,cutter,depth-mm,seconds,program,restart-line,level-lines";
    let cuts = report.setups.iter().flat_map(|s| {
        s.order.iter().filter_map(move |o| match o {
            OrderRow::Cut(c) => Some((s, c)),
            _ => None,
        })
    });
    let rows = cuts.map(|(s, c)| {
        vec![
            s.id.as_str().into(),
            Cell::number(c.number),
            (&c.piece).into(),
            (&c.part).into(),
            c.feature.as_str().into(),
            c.operation.as_str().into(),
            c.cutter.as_str().into(),
            Cell::Plain(u.len(c.depth)),
            Cell::Plain(format!("{:.1}", c.seconds)),
            (&c.program).into(),
            c.line.map_or("".into(), Cell::number),
            Cell::Plain(spaced(&c.level_lines)),
        ]
    });
    table(&in_unit(u, columns), rows)
}

fn spaced(lines: &[u64]) -> String {
    let lines: Vec<String> = lines.iter().map(u64::to_string).collect();
    lines.join(" ")
}

/// One line a clamping: what to lay on the machine.
pub(super) fn board_list(report: &ReportDocument) -> Vec<u8> {
    let u = Show::of_report(report);
    let columns = "setup,kind,count,stock,wood,length-mm,width-mm,thinnest-mm,mean-mm,thickest-mm,pieces,yield-percent,offcuts-mm,programs";
    let rows = report.setups.iter().map(|s| {
        let programs = report.programs.iter().filter(|p| p.setup == s.id);
        let programs: Vec<&str> = programs.map(|p| p.file.as_str()).collect();
        let lengths = s.size.iter().chain(&s.thickness);
        let mut row = vec![
            s.id.as_str().into(),
            match s.turned.is_some() {
                true => "turned".into(),
                false => s.kind.as_str().into(),
            },
            Cell::number(s.repeats.max(1)),
            s.stock.as_str().into(),
            s.wood.as_str().into(),
        ];
        row.extend(lengths.map(|l| Cell::Plain(u.len(*l))));
        let offcuts = s.offcuts.iter();
        let offcuts = offcuts.map(|o| format!("{} x {}", u.len(o.size[0]), u.len(o.size[1])));
        row.extend([
            Cell::number(s.placements.len()),
            Cell::number(s.yield_percent),
            offcuts.collect::<Vec<_>>().join("; ").into(),
            programs.join(" ").into(),
        ]);
        row
    });
    table(&in_unit(u, columns), rows)
}

/// What is left for hands.
pub(super) fn hand_work_list(report: &ReportDocument) -> Vec<u8> {
    let u = Show::of_report(report);
    let rows = report.hand_work.iter().map(|h| {
        let at = |i: usize| h.at.map_or("".into(), |p| Cell::Plain(u.len(p[i])));
        vec![
            h.part.as_str().into(),
            Cell::number(h.count),
            (&h.feature).into(),
            at(0),
            at(1),
            h.what.as_str().into(),
            h.why.as_str().into(),
            h.pieces.join(" ").into(),
        ]
    });
    table(
        &in_unit(u, "part,count,feature,x-mm,y-mm,what,why,pieces"),
        rows,
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
            pieces: vec!["a".to_string(), "a#2".to_string()],
        });
        let list = String::from_utf8(hand_work_list(&report)).unwrap();
        assert_eq!(
            list,
            "part,count,feature,x-mm,y-mm,what,why,pieces\r\n'=1+1,2,'@m1,1.5,-2,\"square 4 corners, \"\"clean\"\"\",\"line\none\",a a#2\r\n"
        );
    }
}
