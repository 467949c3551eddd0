//! Ways into the wood: helix, ramp, zigzag.
