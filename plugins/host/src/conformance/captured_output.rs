//! Keeps what a library prints, by whatever means, out of the terminal and in memory.
#![allow(
    unsafe_code,
    reason = "the C library's own buffers are emptied by a call of it"
)]

use nix::sys::memfd::{MFdFlags, memfd_create};
use nix::unistd::{dup, dup2_stderr, dup2_stdout};
use std::ffi::{c_int, c_void};
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::os::fd::OwnedFd;

unsafe extern "C" {
    /// Empties the buffers of one stream of the C library, or, given null, of all.
    fn fflush(stream: *mut c_void) -> c_int;
}

/// Standard output and standard error go into memory until its end.
pub(super) struct CapturedOutput {
    out: OwnedFd,
    err: OwnedFd,
    said: File,
}

fn flush() {
    let _ = io::stdout().flush();
    // SAFETY: null is the argument that means every stream.
    unsafe { fflush(std::ptr::null_mut()) };
}

impl CapturedOutput {
    pub(super) fn begin() -> io::Result<CapturedOutput> {
        flush();
        let said = memfd_create(c"conformance", MFdFlags::MFD_CLOEXEC)?;
        let (out, err) = (dup(io::stdout())?, dup(io::stderr())?);
        dup2_stdout(&said)?;
        dup2_stderr(&said)?;
        Ok(CapturedOutput {
            out,
            err,
            said: said.into(),
        })
    }

    /// Gives both back, and what was printed meanwhile.
    pub(super) fn end(self) -> io::Result<String> {
        flush();
        dup2_stdout(&self.out)?;
        dup2_stderr(&self.err)?;
        let mut said = &self.said;
        said.seek(SeekFrom::Start(0))?;
        let mut bytes = Vec::new();
        // A library that prints for every move would fill the report.
        said.take(1 << 20).read_to_end(&mut bytes)?;
        Ok(String::from_utf8_lossy(&bytes).into_owned())
    }
}

impl Drop for CapturedOutput {
    fn drop(&mut self) {
        // For a run that ends early; after `end` it says the same again.
        let _ = dup2_stdout(&self.out);
        let _ = dup2_stderr(&self.err);
    }
}
