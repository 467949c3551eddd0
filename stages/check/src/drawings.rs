//! What is told of drawings: as many entities as they hold, each told once.

use super::Wanted;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Balance, Work};

/// Balances that are not those of the drawings.
pub(super) fn check(work: &Work, wanted: &Wanted) -> Vec<Finding> {
    let told = |i: usize| work.balances.get(i);
    let drawings = wanted.drawings.iter().enumerate();
    let mut findings: Vec<Finding> = drawings
        .filter(|(i, held)| {
            told(*i).is_none_or(|b| {
                let layers: Vec<(String, u64)> =
                    b.layers.iter().map(|l| (l.0.clone(), l.1)).collect();
                let entities = held.layers.iter().map(|(l, n)| (l.clone(), *n));
                (&b.drawing, &b.file) != (&held.drawing, &held.file)
                    || !layers.into_iter().eq(entities)
                    || !adds_up(b)
            })
        })
        .map(|(_, held)| not_told(&held.drawing))
        .collect();
    let more = work.balances.iter().skip(wanted.drawings.len());
    findings.extend(more.map(|b| not_told(&b.drawing)));
    findings
}

/// Read = used + ignored + warned, on each layer and in all.
fn adds_up(b: &Balance) -> bool {
    let mut all = [0; 4];
    let layers = b.layers.iter().all(|(_, read, used, ignored, warned)| {
        for (sum, n) in all.iter_mut().zip([read, used, ignored, warned]) {
            *sum += n;
        }
        *read == used + ignored + warned
    });
    layers && all == [b.read, b.used, b.ignored, b.warned]
}

fn not_told(drawing: &str) -> Finding {
    let message = format!("What is told of the drawing {drawing} is not what it holds.");
    Finding::new(&code::VERIFY_PIECES, message)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tests::documents;
    use crate::wanted::Counted;
    use grainway_pipeline::work::Balance;

    #[test]
    fn balances_that_are_not_the_drawings_are_told() {
        let mut wanted = Wanted::from_parts(Vec::new());
        wanted.drawings.push(Counted {
            drawing: "sheet".to_string(),
            file: "sheet.dxf".to_string(),
            layers: [("CUT".to_string(), 5), ("TEXT".to_string(), 2)].into(),
        });
        let right = Balance {
            drawing: "sheet".to_string(),
            file: "sheet.dxf".to_string(),
            read: 7,
            used: 4,
            ignored: 2,
            warned: 1,
            layers: vec![
                ("CUT".to_string(), 5, 4, 0, 1),
                ("TEXT".to_string(), 2, 0, 2, 0),
            ],
        };
        let told = |balances: &[Balance]| {
            let mut work = Work::new(documents());
            work.balances = balances.to_vec();
            check(&work, &wanted).len()
        };
        assert_eq!(told(std::slice::from_ref(&right)), 0);
        assert_eq!(told(&[]), 1);
        assert_eq!(told(&[right.clone(), right.clone()]), 1);
        let faults: [fn(&mut Balance); 6] = [
            |b| b.file.push('x'),
            |b| b.drawing.push('x'),
            |b| b.used += 1,
            |b| b.layers[0].2 -= 1,
            |b| b.layers[1].0.push('x'),
            |b| {
                b.layers[0].1 += 1;
                b.layers[0].4 += 1;
                b.read += 1;
                b.warned += 1;
            },
        ];
        for (i, fault) in faults.iter().enumerate() {
            let mut wrong = right.clone();
            fault(&mut wrong);
            assert_eq!(told(&[wrong]), 1, "{i}");
        }
    }
}
