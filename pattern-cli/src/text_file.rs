//! Text files that a person names: read with a bound, so that no device or pipe is read for ever.

use std::{
    fs::{self, File},
    io::{self, Read},
    path::Path,
};

/// Why a file's bytes are not to be had.
#[derive(Debug)]
pub(crate) enum Unread {
    /// The system's words.
    System(io::Error),
    /// More bytes than the kind of file ever has; how many there are at least.
    TooLarge(u64),
}

/// The bytes of a regular file of at most `most` bytes.
pub(crate) fn read(path: &Path, most: u64) -> Result<Vec<u8>, Unread> {
    let about = fs::metadata(path).map_err(Unread::System)?;
    if about.is_dir() {
        return Err(Unread::System(io::ErrorKind::IsADirectory.into()));
    }
    if !about.is_file() {
        // A pipe would be waited on for ever, and a device has no end.
        return Err(Unread::System(io::Error::other("it is not a regular file")));
    }
    if about.len() > most {
        return Err(Unread::TooLarge(about.len()));
    }
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(Unread::System)?;
    file.take(most + 1)
        .read_to_end(&mut bytes)
        .map_err(Unread::System)?;
    // It may have grown since.
    match bytes.len() as u64 {
        size if size > most => Err(Unread::TooLarge(size)),
        _ => Ok(bytes),
    }
}
