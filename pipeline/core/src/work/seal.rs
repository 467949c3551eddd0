//! The sum of what verify has seen, so that nothing else is released.

use super::Work;
use crate::hash::sha256_of;
use serde::{Deserialize, Serialize};

/// SHA-256 (hex) of everything in the work that programs, sheets and lists are made from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Seal(String);

impl Seal {
    /// Of the work as it is now: all of it but its facts, its findings and the files that a report made.
    pub fn of(work: &Work) -> Seal {
        let seen = (
            &work.documents.hash,
            (&work.balances, &work.parts, &work.variants),
            (&work.setups, &work.programs, &work.hand_work),
            (&work.joints, &work.furniture),
        );
        Seal(sha256_of(|out| {
            serde_json::to_writer(out, &seen).map_err(std::io::Error::other)
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doc::{Unit, in_unit};
    use crate::finding::{Finding, code};
    use crate::work::{Documents, HandWork};

    #[test]
    fn the_seal_holds_what_is_made_from() {
        let shop = r#"{ "format": "grainway.shop/1", "machines": {}, "cutters": {} }"#;
        let job = r#"{ "format": "grainway.job/1", "name": "rack", "shop": "shop.json" }"#;
        let documents = in_unit(Unit::Mm, || Documents {
            job: serde_json::from_str(job).unwrap(),
            shop: serde_json::from_str(shop).unwrap(),
            hash: "h".to_string(),
            night: None,
        });
        let mut work = Work::new(documents);
        let seal = Seal::of(&work);
        work.find(Finding::new(&code::DRILL_FAST, "told later"));
        work.facts.insert("zones".to_string());
        assert_eq!(Seal::of(&work), seal);
        work.hand_work.push(HandWork {
            part: "rail".to_string(),
            count: 1,
            feature: None,
            at: None,
            what: "trim a tab".to_string(),
            why: "it was left".to_string(),
            pieces: Vec::new(),
        });
        assert_ne!(Seal::of(&work), seal);
    }
}
