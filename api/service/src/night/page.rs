//! The night report as one page: printable, without scripts, in light and in dark.

use super::{NightJob, NightReport, minutes};
use std::fmt::Write;

const STYLE: &str = "\
@page { size: A4; margin: 14mm; }
:root { color-scheme: light dark; --ink: #111; --paper: #fff; --rule: #888; --head: #e8e8e8; --good: #0a6b2e; --stop: #b31b1b; --soft: #555; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #eee; --paper: #161616; --rule: #666; --head: #2a2a2a; --good: #66cc8a; --stop: #ff8a80; --soft: #aaa; }
}
@media print {
  :root { color-scheme: light; --ink: #111; --paper: #fff; --rule: #888; --head: #e8e8e8; --good: #0a6b2e; --stop: #b31b1b; --soft: #555; }
}
body { font: 11pt/1.35 Helvetica, Arial, sans-serif; color: var(--ink); background: var(--paper); max-width: 210mm; margin: 6mm auto; padding: 0 4mm; }
h1 { font-size: 22pt; margin: 0 0 2mm; }
h2 { font-size: 15pt; margin: 7mm 0 2mm; border-bottom: 0.5mm solid var(--ink); break-after: avoid; }
p { margin: 1.5mm 0; }
.counts { display: flex; flex-wrap: wrap; gap: 3mm; list-style: none; margin: 4mm 0; padding: 0; }
.counts li { border: 0.5mm solid var(--rule); padding: 1.5mm 3mm; min-width: 26mm; }
.counts b { display: block; font-size: 18pt; }
.counts .good { border-color: var(--good); }
.counts .stop { border-color: var(--stop); }
.soft { color: var(--soft); }
table { border-collapse: collapse; width: 100%; margin: 2mm 0; font-size: 9.5pt; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th, td { border: 0.2mm solid var(--rule); padding: 0.8mm 1.2mm; text-align: left; vertical-align: top; overflow-wrap: anywhere; }
th { background: var(--head); }
td.n, th.n { text-align: right; overflow-wrap: normal; }
tr.stale td { text-decoration: line-through; color: var(--soft); }
tr.stale td.why { text-decoration: none; }
@media screen and (max-width: 34rem) { table { display: block; overflow-x: auto; } th, td { overflow-wrap: normal; } }
";

/// Writes the page.
pub fn page(report: &NightReport) -> String {
    let mut out = String::new();
    let (from, to) = (clock(&report.from), clock(&report.to));
    let _ = writeln!(
        out,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>Night report, {}</title>\n\
         <style>\n{STYLE}</style>\n</head>\n<body>\n<main>\n<h1>Night report</h1>\n\
         <p>Jobs that ended from <b>{}</b> to <b>{}</b>, {}.</p>",
        escaped(&to),
        escaped(&from),
        escaped(&to),
        escaped(&report.time_zone)
    );
    let _ = writeln!(out, "<ul class=\"counts\">");
    let listed = [
        (report.ready.len(), "ready", "good"),
        (report.withheld.len(), "withheld", "stop"),
        (report.failed.len(), "failed", "stop"),
        (report.cancelled.len(), "cancelled", ""),
    ];
    let listed = listed.map(|(n, word, tone)| (n as u64, word, tone));
    let waiting_in_all = (report.waiting_in_all, "still to be made", "");
    for (number, word, tone) in listed.into_iter().chain([waiting_in_all]) {
        // Nothing failed is nothing to be red about.
        let tone = if number == 0 { "" } else { tone };
        let _ = writeln!(out, "<li class=\"{tone}\"><b>{number}</b> {word}</li>");
    }
    out.push_str("</ul>\n");
    act(&mut out, "Withheld: somebody must decide", &report.withheld);
    act(
        &mut out,
        "Failed: tell whoever looks after the service",
        &report.failed,
    );
    ready(&mut out, report);
    wood(&mut out, report);
    machines(&mut out, report);
    act(&mut out, "Cancelled", &report.cancelled);
    waiting(&mut out, report);
    out.push_str("</main>\n</body>\n</html>\n");
    out
}

/// The day and the minute of an RFC 3339 time.
fn clock(time: &str) -> String {
    match time.get(..16) {
        Some(minute) => minute.replace('T', " "),
        None => time.to_string(),
    }
}

fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

/// A heading, `right` where numbers stand below it.
fn head(out: &mut String, columns: &[(&str, bool)]) {
    out.push_str("<table>\n<thead><tr>");
    for (word, right) in columns {
        let class = if *right { " class=\"n\"" } else { "" };
        let _ = write!(out, "<th scope=\"col\"{class}>{word}</th>");
    }
    out.push_str("</tr></thead>\n<tbody>\n");
}

fn name(job: &NightJob) -> String {
    match &job.batch {
        Some(batch) => format!(
            "{} <span class=\"soft\">({})</span>",
            escaped(&job.name),
            escaped(batch)
        ),
        None => escaped(&job.name),
    }
}

fn stale(job: &NightJob) -> Option<String> {
    let newer = job.replaced_by?;
    Some(format!("Stale: use job {newer} instead."))
}

fn act(out: &mut String, title: &str, jobs: &[NightJob]) {
    if jobs.is_empty() {
        return;
    }
    let _ = writeln!(out, "<h2>{title}</h2>");
    head(
        out,
        &[
            ("Job", false),
            ("Code", false),
            ("Why", false),
            ("Ended", false),
        ],
    );
    for job in jobs {
        let _ = writeln!(
            out,
            "<tr><td>{}</td><td>{}</td><td class=\"why\">{} {}</td><td>{}</td></tr>",
            name(job),
            escaped(&job.code),
            escaped(&job.sentence),
            escaped(&stale(job).unwrap_or_default()),
            escaped(&clock(job.ended.as_deref().unwrap_or_default()))
        );
    }
    out.push_str("</tbody>\n</table>\n");
}

fn ready(out: &mut String, report: &NightReport) {
    out.push_str("<h2>Ready</h2>\n");
    if report.ready.is_empty() {
        out.push_str("<p>Nothing.</p>\n");
        return;
    }
    let _ = writeln!(
        out,
        "<p>{} Prove every program at the machine before you cut.</p>",
        escaped(&report.means)
    );
    head(
        out,
        &[
            ("Job", false),
            ("Code", false),
            ("Machine", false),
            ("Pieces", true),
            ("Boards", true),
            ("Programs", true),
            ("Minutes", true),
            ("Look at", false),
        ],
    );
    for job in &report.ready {
        let (row, look) = match (stale(job), job.warnings) {
            (Some(told), _) => (" class=\"stale\"", told),
            (None, 0) => ("", String::new()),
            (None, 1) => ("", "1 warning".to_string()),
            (None, n) => ("", format!("{n} warnings")),
        };
        let _ = writeln!(
            out,
            "<tr{row}><td>{}</td><td>{}</td><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
             <td class=\"n\">{}</td><td class=\"why\">{}</td></tr>",
            name(job),
            escaped(&job.code),
            escaped(job.machine.as_deref().unwrap_or_default()),
            job.parts,
            job.boards,
            job.programs,
            minutes(job.machine_seconds),
            escaped(&look)
        );
    }
    out.push_str("</tbody>\n</table>\n");
}

fn wood(out: &mut String, report: &NightReport) {
    if report.wood.is_empty() {
        return;
    }
    out.push_str("<h2>Wood to fetch</h2>\n");
    head(
        out,
        &[
            ("Stock", false),
            ("Wood", false),
            ("Thickness, mm", true),
            ("Boards and blanks", true),
            ("Area, m²", true),
            ("Jobs", true),
        ],
    );
    for row in &report.wood {
        let _ = writeln!(
            out,
            "<tr><td>{}</td><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{:.2}</td><td class=\"n\">{}</td></tr>",
            escaped(&row.stock),
            escaped(row.wood.as_deref().unwrap_or_default()),
            row.thickness_mm,
            row.boards,
            row.area_m2,
            row.jobs
        );
    }
    out.push_str("</tbody>\n</table>\n");
}

fn machines(out: &mut String, report: &NightReport) {
    if report.machines.is_empty() {
        return;
    }
    out.push_str("<h2>Machines</h2>\n");
    head(
        out,
        &[
            ("Machine", false),
            ("Jobs", true),
            ("Boards and blanks", true),
            ("Programs", true),
            ("Running time", true),
        ],
    );
    for row in &report.machines {
        let all = minutes(row.machine_seconds);
        let _ = writeln!(
            out,
            "<tr><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{} h {:02} min</td></tr>",
            escaped(&row.machine),
            row.jobs,
            row.boards,
            row.programs,
            all / 60,
            all % 60
        );
    }
    out.push_str("</tbody>\n</table>\n");
    out.push_str("<p class=\"soft\">Stale jobs are left out of wood and machines.</p>\n");
}

fn waiting(out: &mut String, report: &NightReport) {
    if report.waiting.is_empty() {
        return;
    }
    out.push_str("<h2>Still to be made</h2>\n");
    head(out, &[("Job", false), ("Code", false), ("State", false)]);
    for job in &report.waiting {
        let _ = writeln!(
            out,
            "<tr><td>{}</td><td>{}</td><td>{}</td></tr>",
            name(job),
            escaped(&job.code),
            job.state
        );
    }
    let _ = writeln!(
        out,
        "</tbody>\n</table>\n<p>{}</p>",
        report.others_waiting()
    );
}
