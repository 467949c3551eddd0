//! Saved states: the work after a stage, and taking a run up from one.
//!
//! A folder of states holds one header a stage, `07-place.json`, beside blobs and texts that all of them share, each under the
//! SHA-256 of its bytes. A state is good only for the documents, settings and versions that made it.

use grainway_pipeline::chain::{Chain, Keep, StateKey};
use grainway_pipeline::doc::{Unit, in_unit};
use grainway_pipeline::stage::{Cx, Fault, Spool, SpoolId, Stop};
use grainway_pipeline::work::{BlobId, Blobs, Documents, Work};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

/// The format word of a saved state.
const STATE_FORMAT: &str = "grainway.state/1";
/// Marks a folder of states as ours.
const MARK: &str = "states.txt";

/// Why a run cannot be taken up from a state, or states cannot be saved.
#[derive(Debug, thiserror::Error)]
pub enum StateProblem {
    /// It is not a state, or damaged.
    #[error("{state} is not a whole saved state: {why}")]
    Damaged {
        /// The file.
        state: String,
        /// What is wrong.
        why: String,
    },
    /// It was made from something else.
    #[error("{state} was saved from {what} than these; run the job from the start")]
    Other {
        /// The file.
        state: String,
        /// From what.
        what: &'static str,
    },
    /// The folder for states holds something else.
    #[error("{0} holds something that is not a saved state; choose another folder")]
    NotOurs(String),
    /// The disk refused.
    #[error("{0}")]
    Disk(String),
}

#[derive(Serialize)]
struct Header<'w> {
    format: &'static str,
    index: usize,
    stage: &'w str,
    key: &'w str,
    blobs: Vec<&'w BlobId>,
    work: &'w Work,
}

#[derive(Deserialize)]
struct ReadHeader {
    format: String,
    index: usize,
    stage: String,
    key: String,
    blobs: Vec<BlobId>,
    work: Work,
}

/// Saves the work after every stage into a folder.
pub(crate) struct FolderKeep<'s> {
    folder: PathBuf,
    spool: &'s dyn Spool,
    written: BTreeSet<PathBuf>,
}

impl<'s> FolderKeep<'s> {
    /// Makes the folder, or empties one that holds states, unless the run goes on with them.
    pub(crate) fn new(
        folder: &Path,
        spool: &'s dyn Spool,
        goes_on: bool,
    ) -> Result<FolderKeep<'s>, StateProblem> {
        let disk = |e: std::io::Error| {
            StateProblem::Disk(format!("{} cannot be written: {e}", folder.display()))
        };
        if folder.exists() && !goes_on {
            let ours = folder.join(MARK).is_file();
            let empty = std::fs::read_dir(folder).map_err(disk)?.next().is_none();
            if !ours && !empty {
                return Err(StateProblem::NotOurs(folder.display().to_string()));
            }
            for entry in std::fs::read_dir(folder).map_err(disk)? {
                let path = entry.map_err(disk)?.path();
                let name = path.file_name().unwrap_or_default().to_string_lossy();
                if name == "blobs" || name == "texts" {
                    std::fs::remove_dir_all(&path).map_err(disk)?;
                } else if name.ends_with(".json") {
                    std::fs::remove_file(&path).map_err(disk)?;
                }
            }
        }
        for part in ["blobs", "texts"] {
            std::fs::create_dir_all(folder.join(part)).map_err(disk)?;
        }
        let mut mark = std::fs::File::create(folder.join(MARK)).map_err(disk)?;
        mark.write_all(b"Saved states of a grainway run; may be deleted.\n")
            .map_err(disk)?;
        Ok(FolderKeep {
            folder: folder.to_path_buf(),
            spool,
            written: BTreeSet::new(),
        })
    }

    /// Writes a file once; states share what is equal. It comes into its place whole: the process may end at any moment.
    fn once(
        &mut self,
        path: PathBuf,
        fill: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
    ) -> std::io::Result<()> {
        if self.written.contains(&path) {
            return Ok(());
        }
        let half = self.folder.join("unfinished.json");
        let mut out = std::io::BufWriter::new(std::fs::File::create(&half)?);
        fill(&mut out)?;
        out.flush()?;
        std::fs::rename(&half, &path)?;
        self.written.insert(path);
        Ok(())
    }

    fn save(
        &mut self,
        index: usize,
        name: &str,
        key: &StateKey,
        work: &Work,
    ) -> std::io::Result<()> {
        for (id, columns) in work.blobs.iter() {
            self.once(self.folder.join("blobs").join(&id.0), |out| {
                columns
                    .iter()
                    .try_for_each(|v| out.write_all(&v.to_le_bytes()))
            })?;
        }
        for id in texts(work) {
            let mut text = self.spool.open(&id)?;
            self.once(self.folder.join("texts").join(&id.0), |out| {
                std::io::copy(&mut text, out).map(|_| ())
            })?;
        }
        let header = Header {
            format: STATE_FORMAT,
            index,
            stage: name,
            key: &key.0,
            blobs: work.blobs.iter().map(|(id, _)| id).collect(),
            work,
        };
        // The header comes last: a state with a header is whole.
        let path = self.folder.join(format!("{index:02}-{name}.json"));
        self.once(path, |out| {
            serde_json::to_writer(&mut *out, &header)?;
            out.write_all(b"\n")
        })
    }
}

impl Keep for FolderKeep<'_> {
    fn keep(&mut self, index: usize, name: &str, key: &StateKey, work: &Work) -> Result<(), Stop> {
        self.save(index, name, key, work).map_err(|e| {
            Stop::Fault(Fault::new(format!(
                "the work after stage {name} could not be saved into {}: {e}",
                self.folder.display()
            )))
        })
    }
}

/// The spooled texts that work names.
fn texts(work: &Work) -> BTreeSet<SpoolId> {
    let programs = work.programs.iter().map(|p| &p.text);
    programs.chain(work.files.values()).cloned().collect()
}

/// Work taken out of a state, and the index of the stage to go on with.
pub(crate) fn take_up(
    state: &Path,
    chain: &Chain,
    documents: &Documents,
    cx: &Cx<'_>,
) -> Result<(Work, usize), StateProblem> {
    let spool = cx.spool;
    let shown = state.display().to_string();
    let damaged = |why: String| StateProblem::Damaged {
        state: shown.clone(),
        why,
    };
    let bytes = std::fs::read(state).map_err(|e| damaged(e.to_string()))?;
    // Lengths in the header are millimetres, whatever the documents' unit.
    let header: ReadHeader =
        in_unit(Unit::Mm, || serde_json::from_slice(&bytes)).map_err(|e| damaged(e.to_string()))?;
    if header.format != STATE_FORMAT {
        return Err(damaged(format!("its format is \"{}\"", header.format)));
    }
    let other = |what| {
        Err(StateProblem::Other {
            state: shown.clone(),
            what,
        })
    };
    if header.work.documents.hash != documents.hash {
        return other("other documents or drawings");
    }
    let keys = chain.keys(documents, cx.dialects);
    let stage = chain.steps().nth(header.index).map(|(s, _)| s.about().name);
    if stage != Some(header.stage.as_str()) || keys[header.index].0 != header.key {
        return other("other settings, stages or versions");
    }
    let folder = state.parent().unwrap_or(Path::new("."));
    let mut work = header.work;
    work.documents = documents.clone();
    work.blobs = read_blobs(folder, &header.blobs).map_err(&damaged)?;
    for id in texts(&work) {
        let copied = std::fs::File::open(folder.join("texts").join(&id.0)).and_then(|mut text| {
            let mut bytes = Vec::new();
            text.read_to_end(&mut bytes)?;
            spool.write(&mut |out| out.write_all(&bytes))
        });
        match copied {
            Ok(copied) if copied == id => {}
            Ok(_) => return Err(damaged(format!("text {} was changed", id.0))),
            Err(e) => return Err(damaged(format!("text {}: {e}", id.0))),
        }
    }
    Ok((work, header.index + 1))
}

fn read_blobs(folder: &Path, ids: &[BlobId]) -> Result<Blobs, String> {
    let mut blobs = Blobs::default();
    for id in ids {
        let bytes = std::fs::read(folder.join("blobs").join(&id.0))
            .map_err(|e| format!("block {}: {e}", id.0))?;
        let columns = bytes
            .chunks_exact(8)
            .map(|c| f64::from_le_bytes(c.try_into().unwrap_or_default()))
            .collect();
        if blobs.put(columns) != *id {
            return Err(format!("block {} was changed", id.0));
        }
    }
    Ok(blobs)
}

/// The last state that a run saved into a folder before its process was lost.
pub(crate) fn last_state(folder: &Path) -> Option<PathBuf> {
    let entries = std::fs::read_dir(folder).ok()?;
    let numbered = |entry: std::fs::DirEntry| {
        let name = entry.file_name().into_string().ok()?;
        let (index, rest) = name.split_once('-')?;
        let index: usize = index.parse().ok()?;
        rest.ends_with(".json").then(|| (index, entry.path()))
    };
    let (_, path) = entries.flatten().filter_map(numbered).max()?;
    Some(path)
}
