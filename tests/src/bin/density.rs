//! Prints how much of a strip is filled: by a plain bottom-left filling, by the search, and by the best that was published, for the
//! open instances that stand beside the project. `density STEPS [NAME...]` takes another budget, and some of them only.
#![allow(clippy::print_stdout, reason = "a bench prints")]

use grainway_tests::density::{PUBLISHED, instances_beside, job_of};

/// Steps of each of the two searches that run beside each other: about a minute on two quiet cores.
const STEPS: u64 = 5_000_000;

fn main() -> Result<(), String> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let steps = match arguments.first() {
        Some(steps) => steps.parse().map_err(|e| format!("{steps:?}: {e}"))?,
        None => STEPS,
    };
    let names = arguments.get(1..).unwrap_or_default();
    println!(
        "instance    items  bottom-left     ours  published      gap     gain  seconds  shapely"
    );
    let (mut gaps, mut gains) = (Vec::new(), Vec::new());
    for instance in instances_beside() {
        if !names.is_empty() && !names.contains(&instance.name) {
            continue;
        }
        let plain = instance.density(instance.bottom_left());
        let from = std::time::Instant::now();
        let strip = instance.searched(steps).ok_or("an item is too wide")?;
        let seconds = from.elapsed().as_secs_f64();
        let ours = instance.density(strip.length);
        let published = PUBLISHED.iter().find(|(n, _)| *n == instance.name);
        let told = |v: Option<f64>| v.map_or("–".to_string(), |v| format!("{v:.2}"));
        let gap = published.map(|(_, p)| p - ours);
        gaps.extend(gap);
        gains.push(ours - plain);
        let complaints = instance.complaints(&strip)?;
        let judged = if complaints.is_empty() {
            "fine"
        } else {
            complaints.trim()
        };
        println!(
            "{:10} {:6} {plain:12.2} {ours:8.2} {:>10} {:>8} {:8.2} {seconds:8.1}  {judged}",
            instance.name,
            instance.items.len(),
            told(published.map(|p| p.1)),
            told(gap),
            ours - plain,
        );
    }
    let median = |of: &mut Vec<f64>| {
        of.sort_by(f64::total_cmp);
        of.get(of.len() / 2).copied().unwrap_or_default()
    };
    let largest = gaps.iter().copied().fold(0.0, f64::max);
    println!(
        "gap to the published: median {:.2}, largest {largest:.2}; gain over bottom-left: median {:.2}",
        median(&mut gaps),
        median(&mut gains)
    );
    if names.is_empty() {
        many_parts();
    }
    Ok(())
}

/// The steps for each piece that the place stage takes when nothing else is said.
const STEPS_EACH: u64 = 400;

fn many_parts() {
    println!("parts  boards    steps  seconds  growth");
    let mut before: Option<(f64, f64)> = None;
    for parts in [100, 300, 1000, 3000] {
        let from = std::time::Instant::now();
        let laid = job_of(parts, STEPS_EACH);
        let seconds = from.elapsed().as_secs_f64();
        let growth = before.map(|(n, s)| (seconds / s).ln() / (parts as f64 / n).ln());
        let told = growth.map_or("–".to_string(), |g| format!("{g:.2}"));
        println!(
            "{parts:5} {:7} {:8} {seconds:8.2} {told:>7}",
            laid.sheets.len(),
            laid.steps
        );
        before = Some((parts as f64, seconds));
    }
}
