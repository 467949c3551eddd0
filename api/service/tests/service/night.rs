//! The night report: what is counted, what is told, and that nothing in a job's words can do harm on the page or in the table.

use super::databases::new_job;
use super::http_help::Server;
use grainway_service::model::{Job, JobId, JobState, Source, StockUse, Summary, When};
use grainway_service::night::{NightReport, Window, page, report, table};
use jiff::tz::TimeZone;
use std::process::Command;
use uuid::Uuid;

const HOUR: i64 = 3_600_000;

fn at(text: &str) -> i64 {
    text.parse::<jiff::Timestamp>().unwrap().as_millisecond()
}

fn window() -> Window {
    Window {
        from: at("2026-11-24T18:00:00+01:00"),
        to: at("2026-11-25T07:00:00+01:00"),
        zone: TimeZone::get("Europe/Vienna").unwrap(),
    }
}

fn job(n: u128, name: &str, state: JobState, sentence: &str) -> Job {
    let ended = state.is_end().then(|| window().from + n as i64 * 60_000);
    Job {
        id: JobId(Uuid::from_u128(n)),
        name: name.to_string(),
        state,
        document: "job.json".to_string(),
        priority: 0,
        not_before: None,
        when: When::Hours,
        source: Source::Api,
        batch: n.is_multiple_of(2).then(|| "library".to_string()),
        code: format!("LB{n:04}"),
        replaces: None,
        replaced_by: None,
        created: window().from - HOUR,
        started: Some(window().from),
        ended,
        attempts: 0,
        spent: 0,
        cancel_wanted: false,
        stage: None,
        summary: state.is_end().then(|| Summary {
            sentence: sentence.to_string(),
            machine: Some("router".to_string()),
            parts: 4,
            boards: 2,
            programs: 3,
            machine_seconds: 1000.5,
            findings: [0, 1, 5],
            stocks: vec![StockUse {
                stock: "ash-22".to_string(),
                wood: Some("ash".to_string()),
                thickness_mm: 22.1,
                boards: 2,
                area_m2: 0.35,
            }],
            price: None,
        }),
        version: 3,
        output: None,
    }
}

fn night() -> Vec<Job> {
    let mut jobs = vec![
        job(
            1,
            "Reading bench",
            JobState::Ready,
            "3 programs for 2 boards.",
        ),
        job(2, "Step stool", JobState::Ready, "3 programs for 2 boards."),
        job(
            3,
            "Newspaper rack",
            JobState::Withheld,
            "The mortise is deeper than the wood, 24 mm of 22.",
        ),
        job(
            4,
            "Card-index cabinet",
            JobState::Failed,
            "The disk was full.",
        ),
        job(5, "Old bench", JobState::Ready, "3 programs for 2 boards."),
        job(6, "Shelf", JobState::Queued, ""),
        job(
            7,
            "Ladder",
            JobState::Cancelled,
            "Cancelled before it began.",
        ),
        job(8, "Of last week", JobState::Ready, ""),
        job(9, "Of this noon", JobState::Ready, ""),
    ];
    jobs[1].summary.as_mut().unwrap().machine = Some("small-router".to_string());
    jobs[4].replaced_by = Some(jobs[0].id);
    jobs[7].ended = Some(window().from - 1);
    jobs[8].ended = Some(window().to);
    jobs
}

fn told() -> NightReport {
    report(&night(), &window())
}

#[test]
fn jobs_of_the_window_are_counted_and_stale_ones_are_not_fetched_wood_for() {
    let report = told();
    let names = |jobs: &[grainway_service::night::NightJob]| -> Vec<String> {
        jobs.iter().map(|j| j.name.clone()).collect()
    };
    assert_eq!(
        names(&report.ready),
        ["Old bench", "Reading bench", "Step stool"]
    );
    assert_eq!(names(&report.withheld), ["Newspaper rack"]);
    assert_eq!(names(&report.failed), ["Card-index cabinet"]);
    assert_eq!(names(&report.cancelled), ["Ladder"]);
    assert_eq!(names(&report.waiting), ["Shelf"]);
    assert_eq!(report.wood.len(), 1);
    let wood = &report.wood[0];
    assert_eq!(
        (wood.boards, wood.area_m2, wood.thickness_mm, wood.jobs),
        (4, 0.7, 22.1, 2)
    );
    let machines: Vec<(&str, u32, u32, f64)> = report
        .machines
        .iter()
        .map(|m| (m.machine.as_str(), m.jobs, m.programs, m.machine_seconds))
        .collect();
    assert_eq!(
        machines,
        [("router", 1, 3, 1000.5), ("small-router", 1, 3, 1000.5)]
    );
    assert_eq!(
        (report.from.as_str(), report.to.as_str()),
        ("2026-11-24T18:00:00+01:00", "2026-11-25T07:00:00+01:00")
    );
    assert_eq!(
        report.ready[1].ended.as_deref(),
        Some("2026-11-24T18:01:00+01:00")
    );
}

#[test]
fn the_same_jobs_in_any_order_give_the_same_bytes() {
    let mut jobs = night();
    let first = report(&jobs, &window());
    jobs.reverse();
    jobs.swap(1, 4);
    let second = report(&jobs, &window());
    assert_eq!(first, second);
    assert_eq!(page(&first), page(&second));
    assert_eq!(table(&first), table(&second));
    let empty = report(&[], &window());
    assert!(page(&empty).contains("<h2>Ready</h2>\n<p>Nothing.</p>"));
    assert_eq!(table(&empty).iter().filter(|b| **b == b'\n').count(), 1);
}

#[test]
fn the_page_says_what_the_morning_needs() {
    let page = page(&told());
    for words in [
        "from <b>2026-11-24 18:00</b> to <b>2026-11-25 07:00</b>, Europe/Vienna",
        "<b>3</b> ready",
        "<b>1</b> withheld",
        "<b>1</b> failed",
        "<b>1</b> still to be made",
        "The mortise is deeper than the wood, 24 mm of 22.",
        "The disk was full.",
        "Checked against the parts, not run on your machine.",
        "Stale: use job 00000000-0000-0000-0000-000000000001 instead.",
        "Step stool <span class=\"soft\">(library)</span>",
        "0 h 17 min",
        "<td class=\"n\">0.70</td>",
        "1 warning",
        "prefers-color-scheme: dark",
    ] {
        assert!(page.contains(words), "{words} is missing in {page}");
    }
    for none in ["<script", "http://", "https://", "url(", "@import"] {
        assert!(!page.contains(none), "{none}");
    }
}

/// The page as XML: roxmltree is stricter than any browser, so that what opens is closed and no word of a job is markup.
#[test]
fn no_word_of_a_job_becomes_markup_or_a_formula() {
    let mut jobs = night();
    let evil = "</td></tr></table><script>alert(1)</script> & \"quoted\" 'so'";
    jobs[0].name = evil.to_string();
    jobs[1].batch = Some(evil.to_string());
    jobs[2].summary.as_mut().unwrap().sentence = evil.to_string();
    jobs[1].summary.as_mut().unwrap().machine = Some(evil.to_string());
    jobs[3].name = "=HYPERLINK(\"x\")".to_string();
    jobs[6].name = "@sum, with comma".to_string();
    jobs[3].summary.as_mut().unwrap().sentence = "+1\r\nnext line".to_string();
    let told = report(&jobs, &window());
    let page = page(&told);
    assert!(!page.contains("<script"));
    let body = page
        .split_once("<body>")
        .unwrap()
        .1
        .split_once("</body>")
        .unwrap()
        .0;
    let parsed = roxmltree::Document::parse(body.trim()).unwrap_or_else(|e| panic!("{e}: {body}"));
    let texts = parsed
        .descendants()
        .filter(|n| n.is_text() && n.text().is_some_and(|t| t.contains("<script>")))
        .count();
    assert!(texts >= 5, "{texts}");

    let csv = table(&told);
    let mut reader = csv::Reader::from_reader(csv.as_slice());
    let head = reader.headers().unwrap().clone();
    assert_eq!(head.len(), 18);
    let mut rows = 0;
    for record in reader.records() {
        let record = record.unwrap();
        assert_eq!(record.len(), 18);
        for cell in &record {
            assert!(
                !cell.starts_with(['=', '+', '-', '@', '\t', '\r']),
                "{cell:?}"
            );
        }
        rows += 1;
    }
    assert_eq!(rows, 7 + 1 + 2);
    let csv = String::from_utf8(csv).unwrap();
    assert!(csv.contains("\"'=HYPERLINK(\"\"x\"\")\"") && csv.contains("\"'@sum, with comma\""));
}

/// Python's own reader takes the table as it was meant.
#[test]
fn the_table_is_read_by_python() {
    let Some(python) = super::help::python_with("csv") else {
        return;
    };
    let fresh = super::help::Fresh::new();
    let file = fresh.join("night.csv");
    std::fs::write(&file, table(&told())).unwrap();
    let script = "import csv, sys\nrows = list(csv.DictReader(open(sys.argv[1], newline='', encoding='utf-8')))\n\
        print('; '.join(r['row'] + '=' + r['name'] + r['stock'] + r['machine'] + ':' + r['boards'] + ':' + r['machine_minutes'] for r in rows))";
    let output = Command::new(&python)
        .args(["-c", script])
        .arg(&file)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert_eq!(
        String::from_utf8(output.stdout).unwrap().trim(),
        "withheld=Newspaper rackrouter:2:17; failed=Card-index cabinetrouter:2:17; ready=Old benchrouter:2:17; \
         ready=Reading benchrouter:2:17; ready=Step stoolsmall-router:2:17; cancelled=Ladderrouter:2:17; waiting?"
            .replace("waiting?", "queued=Shelf:0:0; wood=ash-22:4:; machine=router:2:17; machine=small-router:2:17")
    );
}

/// A queue of so many waiting jobs had its report refused.
#[tokio::test]
async fn the_report_of_a_very_long_queue_is_made() {
    const JOBS: usize = 25_000;
    let server = Server::new().await;
    let queue: Vec<_> = (0..JOBS)
        .map(|n| new_job(&format!("Drawer {n}"), 1))
        .collect();
    for some in queue.chunks(5_000) {
        server
            .shared
            .store
            .submit(some, None, 1_000_000)
            .await
            .unwrap();
    }
    let report = server.get("/v1/night-report").await.json();
    assert_eq!(report["waiting-in-all"], JOBS);
    assert_eq!(report["waiting"].as_array().unwrap().len(), 1_000);
    let page = server.get("/v1/night-report?as=html").await.text();
    assert!(page.contains("<b>25000</b> still to be made"));
    assert!(page.contains("24000 jobs more wait or run"));
    let table = server.get("/v1/night-report?as=csv").await.text();
    assert!(table.contains("24000 jobs more wait or run"));
}
