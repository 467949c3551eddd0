//! What fuzzing begins with: the samples' documents, drawings and programs, the built-in dialects' files, and changes of all of them.

use crate::{PEN_SAMPLE, SAMPLES, load, make, root, sample};
use std::path::Path;

/// Longest input, bytes: the largest sample drawing fits.
pub const LONGEST: usize = 20_000;
/// Of a program only the head is taken, bytes; the rest repeats it.
const HEAD: usize = 2_500;

/// The first inputs of a target.
///
/// # Errors
/// When a sample cannot be read or made.
pub fn seeds(target: &str) -> Result<Vec<Vec<u8>>, String> {
    match target {
        "dialect_file" => dialect_files(),
        "program_reader" => programs(),
        "drawing" => drawings(),
        "job_json" => documents(),
        "plugin_boundary" => Ok(grainway_host::puppet::seeds()),
        other => Err(format!("no seeds for {other}")),
    }
}

fn file(path: &Path) -> Result<Vec<u8>, String> {
    std::fs::read(path).map_err(|e| format!("{}: {e}", path.display()))
}

/// The files of a folder with one of these endings, in order of name.
fn files(folder: &Path, endings: &[&str]) -> Result<Vec<Vec<u8>>, String> {
    let list = std::fs::read_dir(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    let mut paths: Vec<_> = list.filter_map(|f| f.ok().map(|f| f.path())).collect();
    paths.sort();
    paths
        .iter()
        .filter(|p| {
            let ending = p.extension().and_then(|e| e.to_str()).unwrap_or_default();
            endings.contains(&ending)
        })
        .map(|p| file(p))
        .collect()
}

fn dialect_files() -> Result<Vec<Vec<u8>>, String> {
    let mut all = files(&root().join("plugins/dialects/data"), &["json"])?;
    // Series of changes, see the target.
    all.extend((0..48).map(|n| Random::new(n).bytes(160)));
    Ok(all)
}

fn programs() -> Result<Vec<Vec<u8>>, String> {
    let built_in = grainway_dialects::built_in();
    let mut names: Vec<&str> = built_in.names().collect();
    // The target's last dialect is the full language without a limit to its lines.
    names.push("rs274-ngc");
    let mut all = Vec::new();
    for ((first, dialect), name) in (0_u8..).zip(&names).zip(SAMPLES.iter().cycle()) {
        let pen = built_in
            .get(dialect)
            .is_some_and(|d| d.about().pen.is_some());
        let mut loaded = load(&sample(if pen { PEN_SAMPLE } else { name }))?;
        for machine in loaded.work.documents.shop.machines.values_mut() {
            machine.dialect = (*dialect).into();
        }
        // A dialect that cannot hold a sample writes nothing of it.
        let made = make(loaded)?;
        for program in made.work.programs.iter().take(3) {
            let text = made.text(&program.text);
            let end = text.len().min(HEAD);
            all.push([&[first], &text.as_bytes()[..end], b"\nM2\n%\n"].concat());
        }
        if pen {
            let heights = "CO\"pen heights: up 20.000 mm, down -1.500 mm at 250.0 mm/min\";";
            for text in [
                "IN;SP1;PA;PU400,0;VS2;PD400,40,800,40;PA800,80;PU;PA0,0;SP0;\n",
                "CO\"step 2: a; b\";PA;PU;\r\nPU-5,+7;PD;PD;IN;PD1,1;SP0;PU;\n",
            ] {
                all.push([&[first], heights.as_bytes(), text.as_bytes()].concat());
            }
        }
    }
    let last = names.len() as u8 - 1;
    // The examples of NISTIR 6556.
    for text in [
        "G21 G90 F100\nG0 X1 Y2 Z3\nG91 G81 G98 X4 Y5 Z-0.6 R1.8 L3\nM2\n",
        "G21 G90 F100\nG0 X3 Y1 Z0\ng2 x[6-[4*3/2]] r7.01 z0.5\ng1 x asin[0.5]\n#3=6 G1 x#3\nM30\n",
        "%\nG20 G90\nF20\ng83 x5 y6 z-1.1 r0.2 q0.21\nG82 X2 P0.1\n(MSG, stop)\nM0\n/ G4 P1\nN00009 t1 m6 m3 s4000\n%\n",
    ] {
        all.push([&[last], text.as_bytes()].concat());
    }
    Ok(all)
}

fn drawings() -> Result<Vec<Vec<u8>>, String> {
    let mut all = Vec::new();
    for name in SAMPLES {
        let folder = root().join("jobs").join(name);
        for (first, ending) in [(0, "dxf"), (1, "svg")] {
            for drawing in files(&folder, &[ending])? {
                all.extend([0, 2, 4].map(|way| [&[first | way], drawing.as_slice()].concat()));
            }
        }
    }
    // Kinds of entities that the samples lack, small.
    let dxf =
        |entities: &str| format!("\0 0\nSECTION\n 2\nENTITIES\n{entities} 0\nENDSEC\n 0\nEOF\n");
    for entities in [
        " 0\nSPLINE\n 8\noutline\n 70\n11\n 71\n3\n 72\n8\n 73\n4\n 40\n0\n 40\n0\n 40\n0\n 40\n0\n 40\n1\n 40\n1\n 40\n1\n 40\n1\n 10\n0\n 20\n0\n 10\n9\n 20\n0\n 10\n9\n 20\n9\n 10\n0\n 20\n0\n",
        " 0\nELLIPSE\n 8\noutline\n 10\n50\n 20\n50\n 11\n40\n 21\n0\n 40\n0.5\n 41\n0\n 42\n6.283185307179586\n",
        " 0\nINSERT\n 8\n0\n 2\nB\n 10\n0\n 20\n0\n 70\n3\n 71\n2\n 44\n100\n 45\n100\n",
        " 0\nLWPOLYLINE\n 8\noutline\n 90\n3\n 70\n1\n 10\n0\n 20\n0\n 42\n0.5\n 10\n100\n 20\n0\n 10\n0\n 20\n100\n 0\nARC\n 8\nhole\n 10\n20\n 20\n20\n 40\n5\n 50\n0\n 51\n180\n 0\nARC\n 8\nhole\n 10\n20\n 20\n20\n 40\n5\n 50\n180\n 51\n360\n",
    ] {
        all.push(dxf(entities).into_bytes());
    }
    // Outlines of lines: in order, out of order with every second line drawn backwards, and with lines drawn twice.
    let ring = |n: usize, order: &dyn Fn(usize) -> usize| {
        let at = |i: usize| {
            let (s, c) = (std::f64::consts::TAU * (i % n) as f64 / n as f64).sin_cos();
            (200.0 + 150.0 * c, 200.0 + 150.0 * s)
        };
        let line = |i: usize| {
            let (i, back) = (order(i) % n, order(i) % 2);
            let ((a, b), (c, d)) = (at(i + back), at(i + 1 - back));
            format!(" 0\nLINE\n 8\noutline\n 10\n{a:.1}\n 20\n{b:.1}\n 11\n{c:.1}\n 21\n{d:.1}\n")
        };
        dxf(&(0..n).map(line).collect::<String>()).into_bytes()
    };
    all.push(ring(40, &|i| 2 * i));
    all.push(ring(120, &|i| 7 * i));
    all.push(ring(120, &|i| i * i));
    let svg = r##"<svg xmlns="http://www.w3.org/2000/svg" width="10cm" height="10cm" viewBox="0 0 100 100"><defs><path id="p" d="M0 0h9v9z"/></defs>
<g id="outline" transform="rotate(30 5 5) scale(2,-1)"><path d="M0,0 Q10 0 10,10 T20 20 S 1 2 3 4 a 5 6 7 1 0 8 9z m 1 1 l 1 1"/><use href="#p" x="3"/></g>
<ellipse cx="50" cy="50" rx="20" ry="10"/><polygon points="0,0 10,0 10,10"/><rect x="1" y="2" width="30" height="20" rx="3"/></svg>"##;
    all.push([&[1], svg.as_bytes()].concat());
    Ok(all)
}

fn documents() -> Result<Vec<Vec<u8>>, String> {
    SAMPLES
        .iter()
        .map(|name| {
            let folder = root().join("jobs").join(name);
            let (job, shop) = (
                file(&folder.join("job.json"))?,
                file(&folder.join("shop.json"))?,
            );
            Ok([job.as_slice(), &[0], shop.as_slice()].concat())
        })
        .collect()
}

/// A generator of its own, so that a seed alone replays a run.
pub struct Random(u64);

impl Random {
    /// From a seed.
    pub fn new(seed: u64) -> Random {
        Random(seed)
    }
    /// splitmix64, from memory.
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    /// Below `n`; 0 when `n` is 0.
    pub fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
    fn bytes(&mut self, n: usize) -> Vec<u8> {
        (0..n).map(|_| self.next() as u8).collect()
    }
}

/// One of the inputs with a few changes: bytes, words, pieces taken out, doubled, or taken from another input.
pub fn mutated(inputs: &[Vec<u8>], words: &[&str], random: &mut Random) -> Vec<u8> {
    let mut bytes = inputs[random.below(inputs.len())].clone();
    for _ in 0..=random.below(6) {
        let at = random.below(bytes.len() + 1);
        let end = (at + 1 + random.below(40)).min(bytes.len());
        let piece: Vec<u8> = match random.below(8) {
            0 => {
                if let Some(b) = bytes.get_mut(at) {
                    *b ^= 1 << random.below(8);
                }
                continue;
            }
            1 => {
                bytes.drain(at.min(end)..end);
                continue;
            }
            2 => bytes[at.min(end)..end].to_vec(),
            3 => {
                let other = &inputs[random.below(inputs.len())];
                let from = random.below(other.len() + 1);
                other[from..(from + random.below(60)).min(other.len())].to_vec()
            }
            4 => random.below(1_000_000).to_string().into_bytes(),
            5 => random.bytes(3),
            _ => words[random.below(words.len())].as_bytes().to_vec(),
        };
        // In place of as much, or between.
        let over = if random.below(2) == 0 {
            (at + piece.len()).min(bytes.len())
        } else {
            at
        };
        bytes.splice(at..over, piece);
    }
    bytes.truncate(LONGEST);
    bytes
}
