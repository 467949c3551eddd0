//! Native plugins: the store that holds them, and the process that holds one job with them.
//!
//! Native code is loaded in a child process only. The process that asks (the *parent*) starts a *keeper*, the keeper starts the
//! *worker*. The worker loads libraries and does the job; the keeper knows nothing but processes, and whatever happens it leaves
//! none behind; the parent hears frames, keeps deadlines, and says in one sentence how it ended.

pub mod child;
pub mod conformance;
pub mod frames;
pub mod installed;
pub mod keep;
pub mod library;
mod library_about;
pub mod limits;
pub mod loaded;
pub mod native;
mod one_line;
pub mod outcome;
mod processes;
// It reaches behind the border, so it is compiled here; it is a test and lies with them.
#[cfg(feature = "puppet")]
#[path = "../tests/border/puppet.rs"]
pub mod puppet;
pub mod store;

pub use grainway_dialects::programs;

pub use child::{End, Ended, Spec, StageAt, run};
pub use conformance::{Conformance, Row, Verdict};
pub use frames::{Frame, Reporter};
pub use installed::{Installed, Pin, Plugin};
pub use keep::keep;
pub use library::{Library, LoadError, load};
pub use library_about::LibraryAbout;
pub use limits::Limits;
