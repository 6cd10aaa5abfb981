//! Reading whole files with a bound, and the files a scan names beside itself.

use std::{
    fs::File,
    io::Read,
    path::{Component, Path, PathBuf},
};

use super::ScanFault;

/// Largest material file, bytes.
pub(super) const MAX_MATERIAL_BYTES: u64 = 16 << 20;
/// Largest picture file, bytes.
pub(super) const MAX_PICTURE_BYTES: u64 = 256 << 20;

/// Where the material and picture files that a scan names come from.
pub trait Companions {
    /// The bytes of a named file of at most `limit` bytes.
    ///
    /// # Errors
    /// A clause that says why there are none, for a note.
    fn fetch(&self, name: &str, limit: u64) -> Result<Vec<u8>, String>;
}

/// No files beside the scan.
#[derive(Debug, Clone, Copy)]
pub struct NoCompanions;

impl Companions for NoCompanions {
    fn fetch(&self, _name: &str, _limit: u64) -> Result<Vec<u8>, String> {
        Err("no other files are at hand".into())
    }
}

/// The folder a scan lies in. Only files in it or below it are read, wherever links lead.
#[derive(Debug)]
pub(super) struct Folder(PathBuf);

impl Folder {
    pub(super) fn of(scan: &Path) -> Self {
        let folder = scan.parent().unwrap_or(Path::new(""));
        Self(if folder.as_os_str().is_empty() {
            PathBuf::from(".")
        } else {
            folder.to_path_buf()
        })
    }

    /// The file inside the folder, links resolved.
    fn locate(&self, relative: &Path) -> Result<PathBuf, String> {
        let unreadable = |_| "there is no such file".to_string();
        let folder = self.0.canonicalize().map_err(unreadable)?;
        let file = folder.join(relative).canonicalize().map_err(unreadable)?;
        if file.starts_with(&folder) {
            Ok(file)
        } else {
            Err("it lies outside the scan's folder".into())
        }
    }
}

impl Companions for Folder {
    fn fetch(&self, name: &str, limit: u64) -> Result<Vec<u8>, String> {
        // Exporters write their own machine's paths and separators. A file of that name beside the
        // scan is what is meant; the path itself is never followed out of the folder.
        let name = name.trim().trim_matches('"').replace('\\', "/");
        let path = Path::new(&name);
        let inside = path
            .components()
            .all(|part| matches!(part, Component::Normal(_) | Component::CurDir));
        let alone = path.file_name().map(Path::new);
        let file = match (inside.then(|| self.locate(path)), alone) {
            (Some(Ok(file)), _) => file,
            (_, Some(alone)) => match self.locate(alone) {
                Ok(file) => file,
                Err(_) if !inside => return Err("it lies outside the scan's folder".into()),
                Err(reason) => return Err(reason),
            },
            _ => return Err("it has no file name".into()),
        };
        read_bounded(&file, limit).map_err(|fault| fault.to_string())
    }
}

/// The bytes of a regular file, refused before it is opened when there are more than `limit`.
pub(super) fn read_bounded(path: &Path, limit: u64) -> Result<Vec<u8>, ScanFault> {
    let unreadable = |e: std::io::Error| ScanFault::Unreadable {
        reason: e.to_string(),
    };
    let about = std::fs::metadata(path).map_err(unreadable)?;
    if !about.is_file() {
        // A pipe would be waited on for ever.
        return Err(ScanFault::Unreadable {
            reason: "it is not a regular file".into(),
        });
    }
    let too_many = |bytes| ScanFault::TooManyBytes { bytes, limit };
    if about.len() > limit {
        return Err(too_many(about.len()));
    }
    let mut bytes = Vec::with_capacity(usize::try_from(about.len()).unwrap_or(0));
    let mut file = File::open(path).map_err(unreadable)?.take(limit + 1);
    file.read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.len() as u64 > limit {
        return Err(too_many(bytes.len() as u64));
    }
    Ok(bytes)
}
