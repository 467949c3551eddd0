//! Why files could not be read or written, made from the errors of the file store.

/// Longest text of another program in a message, in characters.
const LONGEST: usize = 400;

/// Why the files could not be had.
#[derive(Debug, thiserror::Error)]
pub enum FilesProblem {
    /// There is no such file.
    #[error("there is no file {0}")]
    Missing(String),
    /// A name that no file of a job can have.
    #[error("{0:?} is not a file name")]
    Name(String),
    /// A range outside of the file.
    #[error("the file has {bytes} bytes")]
    Range {
        /// How many it has.
        bytes: u64,
    },
    /// The store cannot be reached. Asking again may help.
    #[error("the file store cannot be reached: {0}")]
    Away(String),
    /// The disk is full or cannot be written.
    #[error("the file store cannot be written: {0}")]
    Disk(String),
    /// What is stored is not what was put there.
    #[error("{name} is damaged: its SHA-256 is not the one that was noted")]
    Damaged {
        /// Which.
        name: String,
    },
}

/// What is not found when something is written is no file of a job: there is no such bucket.
pub(super) fn not_put(error: object_store::Error) -> FilesProblem {
    match error {
        object_store::Error::NotFound { .. } => FilesProblem::Away(chain(&error)),
        other => other.into(),
    }
}

impl From<object_store::Error> for FilesProblem {
    fn from(error: object_store::Error) -> FilesProblem {
        match error {
            object_store::Error::NotFound { path, .. } => {
                FilesProblem::Missing(path.rsplit('/').next().unwrap_or_default().to_string())
            }
            object_store::Error::Generic {
                store: "LocalFileSystem",
                ..
            } => FilesProblem::Disk(chain(&error)),
            other => FilesProblem::Away(chain(&other)),
        }
    }
}

/// An error's words on one line, and those of its causes that it does not repeat itself. An answer of another program may be long.
fn chain(error: &dyn std::error::Error) -> String {
    let mut words = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        let more = error.to_string();
        if !words.contains(&more) {
            words.push_str(": ");
            words.push_str(&more);
        }
        cause = error.source();
    }
    let words: String = words
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    match words.char_indices().nth(LONGEST) {
        Some((end, _)) => format!("{} …", &words[..end]),
        None => words,
    }
}
