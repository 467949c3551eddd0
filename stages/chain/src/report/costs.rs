//! What the job costs by the shop's prices: wood, the machine's hours, hours by hand, and the share of each part. `docs/costs.md` has
//! the formulas.
//!
//! Quantities are rounded to whole units first (mm³, mm², seconds); amounts are whole hundredths from there on, each line rounded once.

use super::document::{
    CostsRow, CountedRow, HandCostRow, JobCostRow, MachineCostRow, OrderRow, PartCostRow, PartRow,
    ReportDocument, SetupRow, WoodCostRow,
};
use super::show::{Show, duration, round3};
use super::summary::brings_wood;
use crate::csv_table::{Cell, table};
use grainway_pipeline::chain::nearest;
use grainway_pipeline::doc::{
    HandMinutes, Money, OffcutsPaid, PooledJob, Prices, WoodPrice, stock_of,
};
use grainway_pipeline::work::Work;
use std::collections::BTreeMap;

/// What stands with every price: the machine's time is a figure of planning alone.
const BASIS: &str =
    "Estimated: machine hours are the plan's estimate, and hours by hand are counted, not timed.";
/// Cubic millimetres of a cubic metre, and square millimetres of a square metre.
const MM3_OF_M3: i128 = 1_000_000_000;
const MM2_OF_M2: i128 = 1_000_000;
/// Thousandths of a cubic millimetre of a board foot, 144 cubic inches of 25.4 mm exactly.
const THOUSANDTHS_OF_BOARD_FOOT: i128 = 2_359_737_216;

/// The costs of a job whose plan came to its end; none where the shop has no prices.
pub(super) fn costs(work: &Work, report: &ReportDocument) -> Option<CostsRow> {
    let prices = work.documents.shop.prices.as_ref()?;
    if !all_laid(work, report) {
        return None;
    }
    let mut missing = Vec::new();
    let used = used(work, report);
    let wood: Vec<WoodCostRow> = used
        .iter()
        .map(|(stock, used)| wood_row(work, report, prices, stock, used, &mut missing))
        .collect();
    let machine = machine_row(report, prices, &mut missing);
    let by_hand = counted(report, &prices.minutes);
    let hand = hand_row(&by_hand, prices, &mut missing);
    let mut parts = divided(work, report, &wood, machine.cost, hand.cost, &by_hand);
    let surcharge = of_surcharge(
        prices,
        wood.iter().map(|w| w.cost).sum::<Money>() + machine.cost + hand.cost,
    );
    let bare: Vec<u64> = parts
        .iter()
        .map(|p| weight((p.wood + p.machine + p.hand).0))
        .collect();
    for (part, share) in parts.iter_mut().zip(surcharge.divided(&bare)) {
        part.surcharge = share;
        part.total = part.wood + part.machine + part.hand + share;
        part.each = part.total.times(1, i128::from(part.count.max(1)));
    }
    let total: Money = parts.iter().map(|p| p.total).sum();
    let sets = work.documents.job.sets;
    Some(CostsRow {
        basis: BASIS.to_string(),
        currency: prices.currency.clone(),
        sets,
        wood,
        machine,
        hand,
        surcharge_percent: prices.surcharge_percent,
        surcharge,
        total,
        per_set: total.times(1, i128::from(sets.max(1))),
        jobs: of_jobs(work, &parts),
        parts,
        missing,
    })
}

/// The shares of a night's jobs.
fn of_jobs(work: &Work, parts: &[PartCostRow]) -> Vec<JobCostRow> {
    let jobs = work.documents.night.iter().flat_map(|n| &n.jobs);
    let share = |job: &PooledJob| {
        let own: Vec<&PartCostRow> = parts
            .iter()
            .filter(|p| job.own(&p.part).is_some())
            .collect();
        let sum = |of: fn(&PartCostRow) -> Money| own.iter().map(|p| of(p)).sum::<Money>();
        let total = sum(|p| p.total);
        JobCostRow {
            job: job.id.clone(),
            sets: job.sets,
            wood: sum(|p| p.wood),
            machine: sum(|p| p.machine),
            hand: sum(|p| p.hand),
            surcharge: sum(|p| p.surcharge),
            total,
            per_set: total.times(1, i128::from(job.sets.max(1))),
            litres: round3(own.iter().map(|p| p.litres).sum()),
            machine_seconds: own.iter().map(|p| p.machine_seconds).sum(),
            hand_seconds: own.iter().map(|p| p.hand_seconds).sum(),
        }
    };
    jobs.map(share).collect()
}

/// Costs as CSV: a line for each part, for each job of a night, and for all of it.
pub(super) fn list(costs: &CostsRow, report: &ReportDocument) -> Vec<u8> {
    let row = |what: &str, id: &str, count: u32, amounts: [Money; 6], much: (f64, u64, u64)| {
        let mut cells: Vec<Cell<'static>> = vec![
            what.to_string().into(),
            id.to_string().into(),
            report.part_called(id).to_string().into(),
            Cell::number(count),
        ];
        cells.extend(amounts.map(Cell::number));
        cells.extend([
            costs.currency.clone().into(),
            Cell::number(much.0),
            Cell::number(much.1),
            Cell::number(much.2),
        ]);
        cells
    };
    let parts = costs.parts.iter().map(|p| {
        let amounts = [p.wood, p.machine, p.hand, p.surcharge, p.total, p.each];
        let much = (p.litres, p.machine_seconds, p.hand_seconds);
        row("part", &p.part, p.count, amounts, much)
    });
    let jobs = costs.jobs.iter().map(|j| {
        let amounts = [j.wood, j.machine, j.hand, j.surcharge, j.total, j.per_set];
        let much = (j.litres, j.machine_seconds, j.hand_seconds);
        row("job", &j.job, j.sets, amounts, much)
    });
    let mut rows: Vec<Vec<Cell<'_>>> = parts.chain(jobs).collect();
    let whole: Money = costs.parts.iter().map(|p| p.total).sum();
    // A job of a night has no more than its own lines.
    if whole == costs.total {
        let wood = costs.wood.iter().map(|w| w.cost).sum();
        let (machine, hand) = (&costs.machine, &costs.hand);
        let amounts = [
            wood,
            machine.cost,
            hand.cost,
            costs.surcharge,
            costs.total,
            costs.per_set,
        ];
        let litres = round3(costs.parts.iter().map(|p| p.litres).sum());
        let much = (litres, machine.seconds, hand.seconds);
        rows.push(row("all", "", costs.sets, amounts, much));
    }
    table(
        "of,id,name,count,wood,machine,by-hand,surcharge,together,each,currency,litres,machine-seconds,hand-seconds",
        rows,
    )
}

/// Every piece has its wood: what nobody could lay has no price, and the rest is not the job.
fn all_laid(work: &Work, report: &ReportDocument) -> bool {
    let mut laid: BTreeMap<&str, u32> = BTreeMap::new();
    let rows = work.setups.iter().zip(&report.setups);
    for (_, row) in rows.filter(|(s, _)| brings_wood(work, s)) {
        for placed in &row.placements {
            *laid.entry(placed.variant.as_str()).or_default() += row.repeats.max(1);
        }
    }
    let of = |v: &String| laid.get(v.as_str()).copied().unwrap_or(0);
    let all = |p: &PartRow| p.variants.iter().map(of).sum::<u32>() >= p.count;
    report.parts.iter().all(all)
}

fn weight(v: i64) -> u64 {
    u64::try_from(v).unwrap_or(0)
}

/// A quantity that cannot be negative, in whole units.
fn whole(v: f64) -> u64 {
    v.round().max(0.0) as u64
}

/// Wood of a stock that the job pays for.
#[derive(Default)]
struct Used {
    boards: u32,
    blanks: u32,
    /// Of boards as they are paid, and of the rough sizes of blanks.
    mm2: u64,
    mm3: u64,
    /// For each board, how much of it is paid and all of it, mm².
    shares: Vec<[u64; 2]>,
}

fn used<'w>(work: &'w Work, report: &ReportDocument) -> BTreeMap<&'w str, Used> {
    let kept = match &work.documents.shop.prices {
        Some(p) => p.offcuts == OffcutsPaid::Shop,
        None => false,
    };
    let mut all: BTreeMap<&str, Used> = BTreeMap::new();
    let rows = work.setups.iter().zip(&report.setups);
    for (setup, row) in rows.filter(|(s, _)| brings_wood(work, s)) {
        let used = all.entry(&setup.stock).or_default();
        let times = row.repeats.max(1);
        let [length, width, thickness] = match row.kind.as_str() {
            "board" => [row.size[0], row.size[1], row.thickness[1]],
            _ => rough_size(report, row),
        };
        let mut mm2 = whole(length * width);
        if row.kind == "board" {
            used.boards += times;
            let left = row.offcuts.iter().map(|o| whole(o.size[0] * o.size[1]));
            let left = if kept { left.sum() } else { 0 };
            let paid = mm2.saturating_sub(left);
            used.shares
                .extend(std::iter::repeat_n([paid, mm2], times as usize));
            mm2 = paid;
        } else {
            used.blanks += times;
        }
        used.mm2 += u64::from(times) * mm2;
        used.mm3 += u64::from(times) * whole(mm2 as f64 * thickness);
    }
    all
}

/// Length, width and thickness of the wood that a blank is made of.
fn rough_size(report: &ReportDocument, row: &SetupRow) -> [f64; 3] {
    let variant = row.placements.first().map(|p| &p.variant);
    let mut parts = report.parts.iter();
    let part = parts.find(|p| variant.is_some_and(|v| p.variants.contains(v)));
    let rough = part.and_then(|p| p.rough);
    rough.unwrap_or([row.size[0], row.size[1], row.thickness[1]])
}

fn wood_row(
    work: &Work,
    report: &ReportDocument,
    prices: &Prices,
    stock: &str,
    used: &Used,
    missing: &mut Vec<String>,
) -> WoodCostRow {
    // A board or blank with readings of its own was bought as the stock that it belongs to, and a job's own stock as that of its name.
    let bought = stock_of(stock);
    let price = prices.wood.get(bought);
    let price = price.or_else(|| prices.wood.get(work.documents.own_name(bought)));
    let (unit, each, cost) = match price {
        None => {
            let keys = prices.wood.keys().map(String::as_str);
            let near = nearest(bought, keys).map_or(String::new(), |n| format!(" (there is {n})"));
            missing.push(format!(
                "The wood of {stock} has no price: set prices.wood.{bought} in the shop{near}."
            ));
            (None, None, Money::default())
        }
        Some(WoodPrice::PerM3(p)) => {
            let each = Money::of(*p);
            let cost = each.times(i128::from(used.mm3), MM3_OF_M3);
            (Some("m³"), Some(each), cost)
        }
        Some(WoodPrice::PerBoardFoot(p)) => {
            let each = Money::of(*p);
            let cost = each.times(1000 * i128::from(used.mm3), THOUSANDTHS_OF_BOARD_FOOT);
            (Some("board foot"), Some(each), cost)
        }
        Some(WoodPrice::PerM2(p)) => {
            let each = Money::of(*p);
            let cost = each.times(i128::from(used.mm2), MM2_OF_M2);
            (Some("m²"), Some(each), cost)
        }
        Some(WoodPrice::PerBoard(p)) => {
            let each = Money::of(*p);
            if used.blanks > 0 {
                missing.push(format!(
                    "The blanks of {stock} have no price, since prices.wood.{bought} is a price of boards: give it per-m3 or per-m2."
                ));
            }
            let shares = used.shares.iter();
            let cost =
                shares.map(|[paid, all]| each.times(i128::from(*paid), i128::from(*all).max(1)));
            (Some("board"), Some(each), cost.sum())
        }
    };
    let thickness = work
        .documents
        .stock(stock)
        .map_or(0.0, |s| s.readings_mm().1);
    let net = report.wood.iter().find(|w| w.stock == stock);
    WoodCostRow {
        stock: stock.to_string(),
        boards: used.boards,
        blanks: used.blanks,
        area: round3(used.mm2 as f64 / 1e6),
        litres: round3(used.mm3 as f64 / 1e6),
        net_litres: round3(net.map_or(0.0, |w| w.parts_area) * thickness),
        price: each,
        unit: unit.map(str::to_string),
        cost,
    }
}

fn machine_row(
    report: &ReportDocument,
    prices: &Prices,
    missing: &mut Vec<String>,
) -> MachineCostRow {
    let seconds = whole(report.times.total);
    let hour = prices.machine_hour.map(Money::of);
    if hour.is_none() && seconds > 0 {
        missing.push(
            "The machine's hours have no price: set prices.machine-hour in the shop.".to_string(),
        );
    }
    MachineCostRow {
        seconds,
        hour,
        cost: of_hours(hour, seconds),
    }
}

fn of_hours(hour: Option<Money>, seconds: u64) -> Money {
    hour.unwrap_or_default().times(i128::from(seconds), 3600)
}

/// Seconds of work by hand: what is counted, and of whom.
struct ByHand {
    counted: Vec<CountedRow>,
    /// Of each part, and of each setup, in the report's order.
    parts: Vec<u64>,
    setups: Vec<u64>,
}

fn counted(report: &ReportDocument, minutes: &HandMinutes) -> ByHand {
    let seconds = |minutes: f64| whole(minutes * 60.0);
    let mut counted: Vec<CountedRow> = Vec::new();
    let mut count = |what: &str, times: u64, minutes: f64| -> u64 {
        let took = times * seconds(minutes);
        match counted.iter_mut().find(|c| c.what == what) {
            Some(row) => {
                row.times += times;
                row.seconds += took;
            }
            None => counted.push(CountedRow {
                what: what.to_string(),
                times,
                minutes,
                seconds: took,
            }),
        }
        took
    };
    let setups = report.setups.iter().map(|s| {
        let times = u64::from(s.repeats.max(1));
        let number = |n: usize| times * n as u64;
        let by_hand = |row: &&OrderRow| matches!(row, OrderRow::Cutter { by_hand: true, .. });
        let pause = |row: &&OrderRow| matches!(row, OrderRow::Pause { .. });
        [
            ("laying wood and setting zero", times, minutes.setup),
            (
                "turning a piece",
                number(s.turned.iter().count()),
                minutes.turn,
            ),
            (
                "changing a cutter",
                number(s.order.iter().filter(by_hand).count()),
                minutes.cutter_change,
            ),
            (
                "driving a screw",
                number(s.holds.iter().filter(|h| h.screw.is_some()).count()),
                minutes.screw,
            ),
            (
                "serving a pause",
                number(s.order.iter().filter(pause).count()),
                minutes.pause,
            ),
        ]
        .into_iter()
        .map(|(what, times, minutes)| count(what, times, minutes))
        .sum::<u64>()
    });
    let setups: Vec<u64> = setups.collect();
    let parts = report.parts.iter().map(|p| {
        let own = report.hand_work.iter().filter(|h| h.part == p.id);
        let lines: u64 = own.map(|h| u64::from(h.count)).sum();
        count("work from the hand-work list", lines, minutes.hand_work)
            + count("cleaning up a piece", u64::from(p.count), minutes.piece)
    });
    let parts: Vec<u64> = parts.collect();
    counted.retain(|c| c.seconds > 0);
    ByHand {
        counted,
        parts,
        setups,
    }
}

fn hand_row(by_hand: &ByHand, prices: &Prices, missing: &mut Vec<String>) -> HandCostRow {
    let seconds = by_hand.counted.iter().map(|c| c.seconds).sum();
    let hour = prices.hand_hour.map(Money::of);
    if hour.is_none() && seconds > 0 {
        missing.push("Hours by hand have no price: set prices.hand-hour in the shop.".to_string());
    }
    HandCostRow {
        counted: by_hand.counted.clone(),
        seconds,
        hour,
        cost: of_hours(hour, seconds),
    }
}

/// A percentage of two decimals, to the nearest hundredth.
fn of_surcharge(prices: &Prices, bare: Money) -> Money {
    let hundredths = Money::of(prices.surcharge_percent).0;
    bare.times(i128::from(hundredths), 10_000)
}

/// Wood, machine and hours by hand divided among the parts; without the surcharge.
fn divided(
    work: &Work,
    report: &ReportDocument,
    wood: &[WoodCostRow],
    machine: Money,
    hand: Money,
    by_hand: &ByHand,
) -> Vec<PartCostRow> {
    let none = |p: &PartRow| PartCostRow {
        part: p.id.clone(),
        count: p.count,
        wood: Money::default(),
        machine: Money::default(),
        hand: Money::default(),
        surcharge: Money::default(),
        total: Money::default(),
        each: Money::default(),
        litres: round3(f64::from(p.count) * area_of(work, &p.id) * p.thickness / 1e6),
        machine_seconds: 0,
        hand_seconds: 0,
    };
    let mut parts: Vec<PartCostRow> = report.parts.iter().map(none).collect();
    for row in wood {
        // What is finished of the stock.
        let finished = work.parts.iter().map(|p| match p.stock == row.stock {
            true => u64::from(p.count) * whole(p.outline.area().abs()),
            false => 0,
        });
        let finished: Vec<u64> = finished.collect();
        for (part, share) in parts.iter_mut().zip(row.cost.divided(&finished)) {
            part.wood = part.wood + share;
        }
    }
    let numbered = (0..).zip(&report.parts);
    let places: BTreeMap<&str, usize> = numbered.clone().map(|(i, p)| (p.id.as_str(), i)).collect();
    let of_variants: BTreeMap<&str, usize> = numbered
        .flat_map(|(i, p)| p.variants.iter().map(move |v| (v.as_str(), i)))
        .collect();
    // Milliseconds in their own cuts: ways, waits and cutter changes go along with them.
    let mut cutting = vec![0_u64; parts.len()];
    // Thousandths of a second, those of a setup to the pieces in it alike.
    let mut hands: Vec<u64> = by_hand.parts.iter().map(|s| s * 1000).collect();
    for (setup, seconds) in report.setups.iter().zip(&by_hand.setups) {
        let times = u64::from(setup.repeats.max(1));
        for row in &setup.order {
            if let OrderRow::Cut(cut) = row
                && let Some(i) = cut.part.as_deref().and_then(|p| places.get(p))
            {
                cutting[*i] += times * whole(cut.seconds * 1000.0);
            }
        }
        let pieces = setup.placements.len().max(1) as u64;
        for placed in &setup.placements {
            if let Some(i) = of_variants.get(placed.variant.as_str()) {
                hands[*i] += seconds * 1000 / pieces;
            }
        }
    }
    let shares = machine
        .divided(&cutting)
        .into_iter()
        .zip(hand.divided(&hands));
    for (part, (machine, hand)) in parts.iter_mut().zip(shares) {
        part.machine = machine;
        part.hand = hand;
    }
    // Whole seconds are divided as amounts are.
    let seconds =
        |s: u64, weights: &[u64]| Money(s.try_into().unwrap_or(i64::MAX)).divided(weights);
    let of_machine = seconds(whole(report.times.total), &cutting);
    let by_hand = seconds(by_hand.counted.iter().map(|c| c.seconds).sum(), &hands);
    for (part, (machine, hand)) in parts.iter_mut().zip(of_machine.into_iter().zip(by_hand)) {
        part.machine_seconds = weight(machine.0);
        part.hand_seconds = weight(hand.0);
    }
    parts
}

/// The finished area of a part, mm².
fn area_of(work: &Work, id: &str) -> f64 {
    work.part(id).map_or(0.0, |p| p.outline.area().abs())
}

/// Costs for people, a line each: what, how much of it at which price, and the amount with its currency.
pub fn cost_lines(report: &ReportDocument) -> Vec<[String; 3]> {
    let Some(costs) = &report.costs else {
        return Vec::new();
    };
    let u = Show::of_report(report);
    let amount = |m: Money| format!("{m} {}", costs.currency);
    let priced = |price: Option<Money>, m: Money| match price {
        Some(_) => amount(m),
        None => "no price".to_string(),
    };
    let at = |price: Option<Money>, unit: &str| {
        price.map_or(String::new(), |p| format!(", at {} {unit}", amount(p)))
    };
    let some = |n: u32, word: &str| match n {
        0 => None,
        1 => Some(format!("1 {word}")),
        n => Some(format!("{n} {word}s")),
    };
    let wood = costs.wood.iter().map(|w| {
        let pieces = [some(w.boards, "board"), some(w.blanks, "blank")];
        let pieces: Vec<String> = pieces.into_iter().flatten().collect();
        let much = format!(
            "{}, {}, {}, of which {} become parts{}",
            pieces.join(" and "),
            u.area(w.area),
            u.volume(w.litres),
            u.volume(w.net_litres),
            at(
                w.price,
                &format!("per {}", w.unit.as_deref().unwrap_or_default())
            ),
        );
        [format!("Wood, {}", w.stock), much, priced(w.price, w.cost)]
    });
    let mut lines: Vec<[String; 3]> = wood.collect();
    let machine = &costs.machine;
    let hour = at(machine.hour, "an hour");
    let much = format!("about {}{hour}", duration(machine.seconds as f64));
    lines.push([
        "Machine".to_string(),
        much,
        priced(machine.hour, machine.cost),
    ]);
    let hand = &costs.hand;
    if hand.seconds > 0 {
        let counted = hand
            .counted
            .iter()
            .map(|c| format!("{} × {}", c.times, c.what));
        let counted: Vec<String> = counted.collect();
        let hour = at(hand.hour, "an hour");
        let much = format!(
            "{}{hour}: {}",
            duration(hand.seconds as f64),
            counted.join(", ")
        );
        lines.push(["By hand".to_string(), much, priced(hand.hour, hand.cost)]);
    }
    if costs.surcharge.0 > 0 {
        let percent = format!("{} %", costs.surcharge_percent);
        lines.push(["Surcharge".to_string(), percent, amount(costs.surcharge)]);
    }
    let sets = match costs.sets {
        1 => String::new(),
        n => format!("{n} sets, {} a set", amount(costs.per_set)),
    };
    let price = match costs.missing.is_empty() {
        true => "Price",
        false => "Price, incomplete",
    };
    lines.push([price.to_string(), sets, amount(costs.total)]);
    lines
}

#[cfg(test)]
mod tests {
    use super::super::document::HandWorkRow;
    use super::super::release::JobVerdict;
    use super::*;
    use grainway_geom::{Contour, point};
    use grainway_pipeline::doc::{read_job, read_shop};
    use grainway_pipeline::work::{Documents, Grain, Part, Setup, Source};
    use serde_json::{Value, json};

    /// The example of docs/costs.md: two sets of a shelf and two ends, from two boards of 2300 × 300 × 22 mm.
    fn example(prices: Value) -> (Work, ReportDocument) {
        let shop = json!({ "format": "grainway.shop/1", "cutters": {}, "prices": prices,
            "stocks": { "ash-22": { "wood": "ash", "thickness": [22.0] } },
            "machines": { "router": { "dialect": "words", "travel": [2400, 800, 120], "z-zero": "bed", "max-feed": 4000,
                "max-plunge": 1200, "rapid": 6000, "acceleration": 400, "min-rpm": 6000, "max-rpm": 24000, "spoilboard": 18 } } });
        let blank = |id: &str, length: u32, count: u32| json!({ "id": id, "stock": "ash-22", "count": count, "blank": { "length": length, "width": 250 } });
        let job = json!({ "format": "grainway.job/1", "name": "Rack", "shop": "shop.json", "sets": 2,
            "parts": [blank("end", 300, 2), blank("shelf", 900, 1)] });
        let mut work = Work::new(Documents {
            job: read_job(job.to_string().as_bytes()).unwrap(),
            shop: read_shop(shop.to_string().as_bytes()).unwrap(),
            hash: String::new(),
            night: None,
        });
        let mut report = ReportDocument::bare("Rack", JobVerdict::Ready, Vec::new());
        for (id, length, count) in [("end", 300.0, 4), ("shelf", 900.0, 2)] {
            work.parts.push(Part {
                id: id.to_string(),
                name: None,
                mirrored: false,
                count,
                stock: "ash-22".to_string(),
                grain: Grain::AlongX,
                outline: Contour::rectangle(point(0.0, 0.0), point(length, 250.0), 0.0),
                outline_relief: None,
                dimensioned: false,
                features: Vec::new(),
                outline_cutter: None,
                source: Source::default(),
                as_drawn: false,
            });
            report.parts.push(PartRow {
                id: id.to_string(),
                name: None,
                count,
                stock: "ash-22".to_string(),
                wood: "ash".to_string(),
                size: [length, 250.0],
                thickness: 22.0,
                rough: None,
                features: Vec::new(),
                variants: vec![id.to_string()],
            });
        }
        // Two shelves and an end on the first board, three ends on the second, of which 1100 × 300 mm are left.
        setup(
            &mut work,
            &mut report,
            "board-1",
            &["shelf", "shelf", "end"],
            json!([]),
            &[("shelf", 500.0), ("end", 100.0)],
        );
        let left = json!([{ "at": [1200, 0], "size": [1100, 300], "screw-holes": 0 }]);
        setup(
            &mut work,
            &mut report,
            "board-2",
            &["end", "end", "end"],
            left,
            &[("end", 600.0)],
        );
        report.times.total = 1510.2;
        report.hand_work.push(HandWorkRow {
            part: "end".to_string(),
            count: 2,
            feature: None,
            at: None,
            what: "Square the corners.".to_string(),
            why: "No cutter is that small.".to_string(),
            pieces: Vec::new(),
        });
        (work, report)
    }

    fn setup(
        work: &mut Work,
        report: &mut ReportDocument,
        id: &str,
        placed: &[&str],
        offcuts: Value,
        cuts: &[(&str, f64)],
    ) {
        let size = point(2300.0, 300.0);
        let made: Setup = serde_json::from_value(json!({ "id": id, "kind": "board", "stock": "ash-22", "size": size,
            "z": { "zero": "bed", "thinnest": 22.0, "mean": 22.0, "thickest": 22.0 }, "placements": [], "holds": [], "safe_z": 30.0,
            "own_steps": [], "order": [], "repeats": 1 }))
        .unwrap();
        work.setups.push(made);
        let placements: Vec<Value> = placed
            .iter()
            .map(|p| json!({ "piece": p, "variant": p, "at": [0, 0], "angle": 0, "tabs": 4, "hold": "tabs" }))
            .collect();
        let screw = json!({ "diameter": 4, "length": [30, 35], "pilot": "none", "words": "" });
        let hold = json!({ "number": 1, "what": "screw", "at": [0, 0], "above": 0, "at-most": null, "after-pause": null, "of": null, "screw": screw });
        let cuts: Vec<Value> = cuts
            .iter()
            .map(|(part, seconds)| json!({ "kind": "cut", "number": 1, "piece": part, "part": part, "feature": "outline",
                "operation": "profile", "cutter": "mill", "depth": 22, "seconds": seconds, "program": null, "line": null, "level-lines": [] }))
            .collect();
        let row: SetupRow = serde_json::from_value(json!({ "id": id, "kind": "board", "stock": "ash-22", "wood": "ash",
            "thickness": [22, 22, 22], "size": [2300, 300], "z-zero": "bed", "safe-z": 30, "repeats": 1, "yield-percent": 50,
            "offcuts": offcuts, "placements": placements, "holds": vec![hold; 4], "cutters": [], "order": cuts,
            "times": { "cutting": 0, "rapid": 0, "spin-up": 0, "changes": 0, "total": 0, "pauses": 0 } }))
        .unwrap();
        report.setups.push(row);
    }

    fn of(prices: Value) -> CostsRow {
        let (work, report) = example(prices);
        costs(&work, &report).unwrap()
    }

    /// The figures of docs/costs.md, computed there by hand.
    #[test]
    fn the_example_of_the_page_on_costs() {
        let costs = of(
            json!({ "currency": "EUR", "wood": { "ash-22": { "per-m3": 1650 } }, "offcuts": "shop",
            "machine-hour": 38, "hand-hour": 42, "surcharge-percent": 12.5,
            "minutes": { "setup": 6, "screw": 0.5, "hand-work": 4, "piece": 2.5 } }),
        );
        let amounts = [
            costs.wood[0].cost,
            costs.machine.cost,
            costs.hand.cost,
            costs.surcharge,
            costs.total,
            costs.per_set,
        ];
        assert_eq!(
            amounts.map(|m| m.to_string()),
            ["38.12", "15.94", "27.30", "10.17", "91.53", "45.77"]
        );
        assert_eq!((costs.machine.seconds, costs.hand.seconds), (1510, 2340));
        let counted: Vec<(u64, u64)> = costs
            .hand
            .counted
            .iter()
            .map(|c| (c.times, c.seconds))
            .collect();
        assert_eq!(counted, [(2, 720), (8, 240), (2, 480), (6, 900)]);
        let parts: Vec<String> = costs
            .parts
            .iter()
            .map(|p| {
                format!(
                    "{} {} {} {} {} {} {}",
                    p.part, p.wood, p.machine, p.hand, p.surcharge, p.total, p.each
                )
            })
            .collect();
        assert_eq!(
            parts,
            [
                "end 15.25 9.30 20.07 5.58 50.20 12.55",
                "shelf 22.87 6.64 7.23 4.59 41.33 20.67"
            ]
        );
        assert!(costs.missing.is_empty());
    }

    /// By hand: 2 × 0.69 m² are 1.38 m² and 30.36 litres; 30,360,000 mm³ are 12.8658 board feet; the shop keeps 0.33 of 0.69 m² of one board.
    #[test]
    fn wood_is_priced_by_volume_area_or_board() {
        for (price, offcuts, wanted) in [
            (json!({ "per-m3": 1000 }), "job", "30.36"),
            (json!({ "per-m2": 30 }), "job", "41.40"),
            (json!({ "per-m2": 30 }), "shop", "31.50"),
            (json!({ "per-board-foot": 10 }), "job", "128.66"),
            (json!({ "per-board": 17.5 }), "job", "35.00"),
            (json!({ "per-board": 69 }), "shop", "105.00"),
        ] {
            let costs = of(
                json!({ "currency": "EUR", "wood": { "ash-22": price }, "offcuts": offcuts, "machine-hour": 0 }),
            );
            assert_eq!(costs.total.to_string(), wanted, "{price} {offcuts}");
            assert_eq!(
                costs.parts.iter().map(|p| p.total).sum::<Money>(),
                costs.total
            );
        }
    }

    /// An end that no board had room for: the price of the others is not that of the job.
    #[test]
    fn a_job_of_which_a_piece_is_not_laid_has_no_price() {
        let (work, mut report) = example(json!({ "currency": "EUR" }));
        assert!(costs(&work, &report).is_some());
        report.setups[1].placements.pop();
        assert_eq!(costs(&work, &report), None);
    }

    #[test]
    fn what_has_no_price_is_told_and_not_taken_for_nothing() {
        let costs = of(
            json!({ "currency": "EUR", "wood": { "ash-2": { "per-m2": 1 } }, "minutes": { "piece": 1 } }),
        );
        assert_eq!(costs.total, Money(0));
        let wanted = [
            "The wood of ash-22 has no price: set prices.wood.ash-22 in the shop (there is ash-2).",
            "The machine's hours have no price: set prices.machine-hour in the shop.",
            "Hours by hand have no price: set prices.hand-hour in the shop.",
        ];
        assert_eq!(costs.missing, wanted);
    }
}
