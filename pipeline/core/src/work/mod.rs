//! The work: what a chain of stages transforms. A JSON header over content-addressed blobs of f64 columns.

mod blobs;
mod by_hand;
mod furniture;
mod joint;
mod part;
mod seal;
mod setup;
mod step_view;
mod variant;
mod zframe;

pub use crate::hash::sha256_hex;
pub use blobs::{BlobId, Blobs};
pub use by_hand::{ByHand, PauseFor};
pub use furniture::{Closing, Furniture, Pose, Stood};
pub use joint::{JointFigure, JointVerdict};
pub use part::{Balance, Feature, Grain, Mating, Part, Source, Wall};
pub use seal::Seal;
pub use setup::{
    Entry, Hold, HoldKind, PieceHold, Placement, Program, Setup, SetupKind, SetupStep, StepRef,
    Verdict, VerdictFigure,
};
pub use step_view::{StepView, step_view};
pub use variant::{
    Corner, CornerAnswer, CutLoop, HandWork, Operation, ProfileCut, SizedFeature, Tab, TabSpan,
    Turn, Variant, WasteRecord, Workingstep,
};
pub use zframe::ZFrame;

use crate::doc::{
    Cutter, FormerNight, Job, Machine, Pointer, PooledJob, PooledNight, Seen, Shop, Side, Stock,
    ZZero, bind_own_wood,
};
use crate::finding::Finding;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The documents as read, units resolved, and the hash they are known by.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Documents {
    /// The job.
    pub job: Job,
    /// The shop.
    pub shop: Shop,
    /// SHA-256 (hex) over both documents in canonical form and over every file they name.
    pub hash: String,
    /// The night of which `job` was pooled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub night: Option<PooledNight>,
}

/// Letters of a code: digits and capitals that nobody takes for another one.
const CODE_LETTERS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/// Six letters of a sum.
fn short_code(sha256: &str) -> String {
    let bits = sha256
        .get(..8)
        .and_then(|h| u32::from_str_radix(h, 16).ok())
        .unwrap_or(0);
    (0..6)
        .map(|i| char::from(CODE_LETTERS[(bits >> (27 - 5 * i)) as usize & 31]))
        .collect()
}

impl Documents {
    /// The short code of these documents, six letters: it stands on sheets and in programs, so that both are seen to belong together.
    /// Other documents have another code but for one chance in 2³⁰.
    pub fn code(&self) -> String {
        short_code(&self.hash)
    }

    /// The job of the night that something of this name belongs to, and what that job calls it. `None` where no jobs are pooled, and for what
    /// belongs to the night.
    pub fn job_of<'n>(&self, name: &'n str) -> Option<(&PooledJob, &'n str)> {
        let mut jobs = self.night.iter().flat_map(|n| &n.jobs);
        jobs.find_map(|job| Some((job, job.own(name)?)))
    }
    /// What the job that it belongs to calls something.
    pub fn own_name<'n>(&self, name: &'n str) -> &'n str {
        self.job_of(name).map_or(name, |(_, own)| own)
    }
    /// The night that was made before.
    pub fn former(&self) -> Option<&FormerNight> {
        self.night.as_ref()?.former.as_ref()
    }
    /// How many sets are made of what has this name.
    pub fn sets_of(&self, name: &str) -> u32 {
        self.job_of(name).map_or(self.job.sets, |(job, _)| job.sets)
    }

    /// The machine of this job. `None` when the job names none of the shop's; reading refuses that before a chain runs.
    pub fn machine(&self) -> Option<(&str, &Machine)> {
        let machines = &self.shop.machines;
        let found = match &self.job.machine {
            Some(id) => machines.get_key_value(id),
            None if machines.len() == 1 => machines.iter().next(),
            None => None,
        };
        found.map(|(id, m)| (id.as_str(), m))
    }
    /// A stock: the job's own before the shop's.
    pub fn stock(&self, id: &str) -> Option<&Stock> {
        self.job.stocks.get(id).or_else(|| self.shop.stocks.get(id))
    }
    /// All stocks.
    pub fn stocks(&self) -> BTreeMap<&str, &Stock> {
        self.shop
            .stocks
            .iter()
            .chain(&self.job.stocks)
            .map(|(id, s)| (id.as_str(), s))
            .collect()
    }
    /// The job lets hold-down screws go through the pieces of this part, of either hand.
    pub fn screws_through(&self, part: &str) -> bool {
        let part = part.strip_suffix(Part::MIRRORED).unwrap_or(part);
        let described = |p: &crate::doc::PartDoc| p.id == part && p.screws_through;
        let drawn = |(id, p): (&String, &crate::doc::DrawnPart)| {
            p.id.as_ref().unwrap_or(id) == part && p.screws_through
        };
        let drawings = &self.job.drawings;
        self.job.parts.iter().any(described) || drawings.iter().any(|d| d.parts.iter().any(drawn))
    }
    /// The radius to which the edges of a part are rounded before it is joined, mm.
    pub fn eased(&self, part: &str) -> Option<f64> {
        let part = part.strip_suffix(Part::MIRRORED).unwrap_or(part);
        let described = self.job.parts.iter().filter(|p| p.id == part);
        let drawn = self.job.drawings.iter().flat_map(|d| &d.parts);
        let drawn = drawn.filter(|(id, p)| p.id.as_ref().unwrap_or(id) == part);
        let mut eased = described
            .map(|p| p.eased)
            .chain(drawn.map(|(_, p)| p.eased));
        eased.next().flatten().map(|l| l.mm())
    }
    /// How much a side of a part is seen; the edges of its other hand (`id~mirrored`) change places.
    pub fn seen(&self, part: &str, side: Side) -> Seen {
        let (part, side) = match part.strip_suffix(Part::MIRRORED) {
            Some(base) => (base, side.mirrored_across()),
            None => (part, side),
        };
        let described = self.job.parts.iter().filter(|p| p.id == part);
        let drawn = self.job.drawings.iter().flat_map(|d| &d.parts);
        let drawn = drawn.filter(|(id, p)| p.id.as_ref().unwrap_or(id) == part);
        let mut sides = described.map(|p| p.seen).chain(drawn.map(|(_, p)| p.seen));
        sides.next().unwrap_or_default().of(side)
    }
    /// A cutter.
    pub fn cutter(&self, id: &str) -> Option<&Cutter> {
        self.shop.cutters.get(id)
    }
    /// The heights of a part's wood while this side of it lies up: on its edge a part is as high as it is wide, on its end as high as it
    /// is long. Z is zero on an end that lies up, whatever the machine says: its foot may stand below the bed, where no cutter reaches.
    pub fn side_frame(&self, part: &Part, side: Side) -> Option<ZFrame> {
        let flat = self.z_frame(&part.stock)?;
        let size = part.outline.bounds();
        let standing = |zero, high| ZFrame {
            zero,
            thinnest: high,
            mean: high,
            thickest: high,
        };
        Some(match side {
            Side::Face | Side::Back => flat,
            Side::Near | Side::Far => standing(flat.zero, size.height()),
            Side::LeftEnd | Side::RightEnd => standing(ZZero::Top, size.width()),
        })
    }
    /// Where a stage's setting stands: in the job, whose settings go over the shop's, or in the shop. `keys` lead to it from the stage's
    /// own settings.
    pub fn setting(&self, stage: &str, keys: &[&str]) -> Pointer {
        let below = |document: Pointer| {
            let start = document.step("settings").step(stage);
            keys.iter().fold(start, |at, key| at.step(key))
        };
        let mut own = self.job.settings.get(stage);
        for key in keys {
            own = own.and_then(|v| v.get(key));
        }
        match own {
            Some(_) => below(Pointer::job()),
            None => below(Pointer::shop()),
        }
    }
    /// The heights of wood of this stock on this machine.
    pub fn z_frame(&self, stock: &str) -> Option<ZFrame> {
        let (_, machine) = self.machine()?;
        let (low, mean, high) = self.stock(stock)?.readings_mm();
        Some(ZFrame {
            zero: machine.z_zero,
            thinnest: low,
            mean,
            thickest: high,
        })
    }
}

/// Everything a chain knows and makes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Work {
    /// The documents.
    pub documents: Documents,
    /// Facts that hold now, sorted.
    pub facts: std::collections::BTreeSet<String>,
    /// What drawings held and what became of it.
    #[serde(default)]
    pub balances: Vec<Balance>,
    /// As drawn, in their own coordinates, sorted by id.
    #[serde(default)]
    pub parts: Vec<Part>,
    /// What is really cut, each once; sorted by id.
    #[serde(default)]
    pub variants: Vec<Variant>,
    /// One clamping each, in running order.
    #[serde(default)]
    pub setups: Vec<Setup>,
    /// Texts, in running order.
    #[serde(default)]
    pub programs: Vec<Program>,
    /// What is left for hands.
    #[serde(default)]
    pub hand_work: Vec<HandWork>,
    /// Joints as verify put them together from the texts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub joints: Vec<JointVerdict>,
    /// What the joints hold together, alike pieces of furniture once.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub furniture: Vec<Furniture>,
    /// What the user should know, sorted.
    #[serde(default)]
    pub findings: Vec<Finding>,
    /// What verify has seen, by its sum; release compares it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seal: Option<Seal>,
    /// Files that the report stage made: name in the output folder → spooled text. Bytes of binary files are held by the spool.
    #[serde(default)]
    pub files: BTreeMap<String, crate::spool::SpoolId>,
    /// Numbers in bulk.
    #[serde(skip)]
    pub blobs: Blobs,
}

impl Work {
    /// Work that holds the documents, with the wood that was measured by itself bound to its parts, and nothing else.
    pub fn new(mut documents: Documents) -> Work {
        bind_own_wood(&mut documents.job, &mut documents.shop);
        Work {
            documents,
            facts: Default::default(),
            balances: Vec::new(),
            parts: Vec::new(),
            variants: Vec::new(),
            setups: Vec::new(),
            programs: Vec::new(),
            hand_work: Vec::new(),
            joints: Vec::new(),
            furniture: Vec::new(),
            findings: Vec::new(),
            seal: None,
            files: BTreeMap::new(),
            blobs: Blobs::default(),
        }
    }
    /// Adds a finding.
    pub fn find(&mut self, finding: Finding) {
        self.findings.push(finding);
    }
    /// The short code of a setup: that of the documents, or in a night one of its own, made of all that is cut there, so that a setup which
    /// another night has too keeps its programs as they are.
    pub fn code_of(&self, setup: &Setup) -> String {
        if self.documents.night.is_none() {
            return self.documents.code();
        }
        let cut = setup
            .placements
            .iter()
            .filter_map(|p| self.variant(&p.variant));
        let cut: Vec<String> = cut.map(Variant::sum).collect();
        let all = serde_json::to_vec(&(setup, cut)).unwrap_or_default();
        short_code(&sha256_hex(&all))
    }
    /// Something was found that the user must act on.
    pub fn has_errors(&self) -> bool {
        self.findings
            .iter()
            .any(|f| f.severity == crate::finding::Severity::Error)
    }
    /// The variant of this id.
    pub fn variant(&self, id: &str) -> Option<&Variant> {
        self.variants.iter().find(|v| v.id == id)
    }
    /// The part of this id.
    pub fn part(&self, id: &str) -> Option<&Part> {
        self.parts.iter().find(|p| p.id == id)
    }
    /// The moves of a step in its variant's frame (or the board's, for a setup's own steps).
    pub fn moves(&self, id: &BlobId) -> Vec<crate::motion::Move> {
        self.blobs
            .get(id)
            .and_then(|c| crate::motion::decode(c))
            .unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doc::{Unit, in_unit};
    use serde_json::json;

    /// What the job says of a part holds for its other hand.
    #[test]
    fn both_hands_are_eased_and_screwed_through() {
        let job = json!({ "format": "grainway.job/1", "name": "j", "shop": "s", "parts": [
            { "id": "side", "stock": "ash", "mirrored": 1, "eased": 3, "screws-through": true, "blank": { "length": 400, "width": 200 } },
            { "id": "top", "stock": "ash", "mirrored": 1, "blank": { "length": 400, "width": 200 } } ] });
        let shop =
            json!({ "format": "grainway.shop/1", "machines": {}, "cutters": {}, "stocks": {} });
        let documents = in_unit(Unit::Mm, || Documents {
            job: serde_json::from_value(job).unwrap(),
            shop: serde_json::from_value(shop).unwrap(),
            hash: String::new(),
            night: None,
        });
        for (part, asked) in [
            ("side", true),
            ("side~mirrored", true),
            ("top", false),
            ("top~mirrored", false),
        ] {
            assert_eq!(documents.screws_through(part), asked, "{part}");
            assert_eq!(documents.eased(part).is_some(), asked, "{part}");
        }
    }
}
