//! The grainway command as a library: registries, documents, output folders.
