//! Output folders: complete or not at all.
//!
//! Files are written into a hidden folder beside the wanted one, flushed to the disk, and the folder
//! is renamed into place. A run that is killed leaves either the old folder or the new one, never a
//! mixture; what it may leave besides is a hidden sibling `.NAME.partial-…`, which the next run into
//! the same place takes away. Where the system can swap two names in one step (Linux), replacing has
//! no moment without a folder; elsewhere there is a short one, with the old folder still beside it.

use std::{
    ffi::OsString,
    fs::{self, File},
    io::{self, Write},
    path::{Path, PathBuf},
    sync::Mutex,
};

/// Why a folder can't be written.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    /// It is there already.
    #[error("{} exists already; name another folder with --out, or add --replace to replace it whole", path.display())]
    Exists {
        /// The folder.
        path: PathBuf,
    },
    /// Something that is not a folder bears its name.
    #[error("{} exists and is not a folder; name another with --out", path.display())]
    NotAFolder {
        /// The path.
        path: PathBuf,
    },
    /// It holds something that this program does not write, so it will not be deleted.
    #[error("{} holds {:?}, which this program did not write, so it is not replaced; name another folder with --out", path.display(), stranger.display())]
    Stranger {
        /// The folder.
        path: PathBuf,
        /// Name of what is in it.
        stranger: PathBuf,
    },
    /// No folder to make it in.
    #[error("there is no folder {} to write {} into; make it first", parent.display(), path.display())]
    NoParent {
        /// The folder to make.
        path: PathBuf,
        /// Where it should lie.
        parent: PathBuf,
    },
    /// A path such as `/` or `..` that names no new folder.
    #[error("{} is no name for an output folder", path.display())]
    NoName {
        /// The path.
        path: PathBuf,
    },
    /// The disk says no.
    #[error("can't write {}: {why}", path.display())]
    Disk {
        /// What was to be written.
        path: PathBuf,
        /// The system's words.
        why: io::Error,
    },
}

/// A place for an output folder, checked before the long work starts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    path: PathBuf,
    parent: PathBuf,
    name: OsString,
    replace: bool,
    ours: Vec<OsString>,
}

/// The folder that is being filled, for the interrupt handler to take away.
static FILLING: Mutex<Option<PathBuf>> = Mutex::new(None);

/// On Ctrl-C: takes away what is half written and ends with the usual code 130.
pub fn tidy_on_interrupt() {
    // An error means that a handler is set already; then that one decides.
    let _ = ctrlc::set_handler(|| {
        // A commit in progress holds the lock: it is let finish.
        if let Ok(filling) = FILLING.lock()
            && let Some(path) = filling.as_deref()
        {
            // The writer may be putting the next file in at this very moment.
            for _ in 0..100 {
                if fs::remove_dir_all(path).is_ok() || !path.exists() {
                    break;
                }
            }
        }
        std::process::exit(130);
    });
}

impl Place {
    /// Checks that a folder can be made or replaced here; touches nothing.
    ///
    /// `ours` are the names of the files that this program writes: a folder that holds anything else
    /// is never replaced.
    ///
    /// # Errors
    /// [`FolderError`].
    pub fn claim(path: &Path, replace: bool, ours: &[&str]) -> Result<Self, FolderError> {
        let name = path
            .file_name()
            .ok_or_else(|| FolderError::NoName { path: path.into() })?;
        let parent = match path.parent() {
            Some(parent) if parent != Path::new("") => parent,
            _ => Path::new("."),
        };
        if !parent.is_dir() {
            return Err(FolderError::NoParent {
                path: path.into(),
                parent: parent.into(),
            });
        }
        let place = Self {
            path: path.into(),
            parent: parent.into(),
            name: name.into(),
            replace,
            ours: ours.iter().map(OsString::from).collect(),
        };
        place.check()?;
        Ok(place)
    }

    fn check(&self) -> Result<(), FolderError> {
        let path = self.path.clone();
        // A link is refused like a file: what it points at lies elsewhere.
        let Ok(meta) = fs::symlink_metadata(&self.path) else {
            return Ok(());
        };
        if !meta.is_dir() {
            return Err(FolderError::NotAFolder { path });
        }
        if !self.replace {
            return Err(FolderError::Exists { path });
        }
        let entries = fs::read_dir(&self.path).map_err(|why| self.disk(why))?;
        for entry in entries {
            let name = entry.map_err(|why| self.disk(why))?.file_name();
            if !self.ours.contains(&name) {
                return Err(FolderError::Stranger {
                    path,
                    stranger: name.into(),
                });
            }
        }
        Ok(())
    }

    /// The folder.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes all files and puts the folder in its place.
    ///
    /// # Errors
    /// [`FolderError`]; then nothing is left behind.
    pub fn fill(&self, files: &[(&str, Vec<u8>)]) -> Result<(), FolderError> {
        self.sweep();
        let partial = tempfile::Builder::new()
            .prefix(&self.hidden("partial"))
            .tempdir_in(&self.parent)
            .map_err(|why| self.disk(why))?;
        remember(Some(partial.path().into()));
        let placed = self
            .write_all(partial.path(), files)
            .map_err(|why| self.disk(why))
            // Meanwhile somebody may have saved a file of their own into the folder to replace.
            .and_then(|()| self.check())
            .and_then(|()| self.swap_in(partial).map_err(|why| self.disk(why)));
        remember(None);
        placed
    }

    fn write_all(&self, folder: &Path, files: &[(&str, Vec<u8>)]) -> io::Result<()> {
        // Temporary folders are private; a pattern folder is like any other the maker makes.
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let like = fs::metadata(&self.parent)?.permissions().mode() & 0o777;
            fs::set_permissions(folder, fs::Permissions::from_mode(like | 0o700))?;
        }
        for (name, bytes) in files {
            let mut file = File::create_new(folder.join(name))?;
            file.write_all(bytes)?;
            file.sync_all()?;
        }
        sync_folder(folder)
    }

    /// The rename, with the interrupt handler held off.
    fn swap_in(&self, partial: tempfile::TempDir) -> io::Result<()> {
        let guard = FILLING.lock();
        let new = partial.path();
        if fs::symlink_metadata(&self.path).is_ok() {
            if !self.replace {
                return Err(io::Error::new(
                    io::ErrorKind::AlreadyExists,
                    "somebody else made it meanwhile",
                ));
            }
            // The old folder ends up under the temporary name and goes with it.
            exchange(new, &self.path)?;
            sync_folder(&self.parent)?;
            drop(guard);
            return partial.close();
        }
        fs::rename(new, &self.path)?;
        // Nothing is left under the temporary name.
        let _ = partial.keep();
        sync_folder(&self.parent)?;
        drop(guard);
        Ok(())
    }

    /// Takes away what a killed run left here. A run that still works is not disturbed: its folder
    /// is younger than an hour.
    fn sweep(&self) {
        let prefix = self.hidden("partial");
        let Ok(entries) = fs::read_dir(&self.parent) else {
            return;
        };
        for entry in entries.flatten() {
            let name = entry.file_name();
            let ours = name
                .as_encoded_bytes()
                .starts_with(prefix.as_encoded_bytes());
            let old = entry
                .metadata()
                .and_then(|meta| meta.modified())
                .is_ok_and(|time| time.elapsed().is_ok_and(|age| age > LEFTOVER));
            if ours && old {
                let _ = fs::remove_dir_all(entry.path());
            }
        }
    }

    fn hidden(&self, what: &str) -> OsString {
        let mut name = OsString::from(".");
        name.push(&self.name);
        name.push(format!(".{what}-"));
        name
    }

    fn disk(&self, why: io::Error) -> FolderError {
        FolderError::Disk {
            path: self.path.clone(),
            why,
        }
    }
}

/// Age from which a hidden partial folder is a leftover. Writing takes seconds.
const LEFTOVER: std::time::Duration = std::time::Duration::from_secs(3600);

fn remember(path: Option<PathBuf>) {
    if let Ok(mut filling) = FILLING.lock() {
        *filling = path;
    }
}

/// Swaps two folders' names.
fn exchange(new: &Path, old: &Path) -> io::Result<()> {
    #[cfg(target_os = "linux")]
    {
        use rustix::fs::{CWD, RenameFlags, renameat_with};
        match renameat_with(CWD, new, CWD, old, RenameFlags::EXCHANGE) {
            // Some file systems can't.
            Err(rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS) => {}
            other => return other.map_err(io::Error::from),
        }
    }
    let mut aside = OsString::from(new);
    aside.push("-old");
    fs::rename(old, &aside)?;
    match fs::rename(new, old) {
        Ok(()) => fs::rename(&aside, new),
        Err(why) => {
            fs::rename(&aside, old)?;
            Err(why)
        }
    }
}

/// Makes the names in a folder outlast a power cut, where the system has a way.
fn sync_folder(folder: &Path) -> io::Result<()> {
    #[cfg(unix)]
    File::open(folder)?.sync_all()?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const OURS: [&str; 2] = ["a.txt", "b.txt"];

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<_> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_folder_appears_whole_and_nothing_beside_it() {
        let home = tempfile::tempdir().unwrap();
        let out = home.path().join("Ärger mit “Namen” 42");
        let place = Place::claim(&out, false, &OURS).unwrap();
        place
            .fill(&[("a.txt", b"one".into()), ("b.txt", b"two".into())])
            .unwrap();
        assert_eq!(names(&out), ["a.txt", "b.txt"]);
        assert_eq!(names(home.path()).len(), 1);
    }

    #[test]
    fn an_existing_folder_is_replaced_whole_and_only_when_asked() {
        let home = tempfile::tempdir().unwrap();
        let out = home.path().join("out");
        let first = Place::claim(&out, false, &OURS).unwrap();
        first.fill(&[("a.txt", b"one".into())]).unwrap();
        let refused = Place::claim(&out, false, &OURS);
        assert!(matches!(refused, Err(FolderError::Exists { .. })));
        let second = Place::claim(&out, true, &OURS).unwrap();
        second.fill(&[("b.txt", b"two".into())]).unwrap();
        assert_eq!(names(&out), ["b.txt"]);
        assert_eq!(names(home.path()), ["out"]);
    }

    #[test]
    fn what_we_did_not_write_is_never_deleted() {
        let home = tempfile::tempdir().unwrap();
        let out = home.path().join("out");
        fs::create_dir(&out).unwrap();
        fs::write(out.join("thesis.doc"), "").unwrap();
        let refused = Place::claim(&out, true, &OURS);
        assert!(matches!(refused, Err(FolderError::Stranger { .. })));
        assert_eq!(names(&out), ["thesis.doc"]);
    }

    #[test]
    fn a_failed_run_leaves_nothing() {
        let home = tempfile::tempdir().unwrap();
        let out = home.path().join("out");
        let place = Place::claim(&out, false, &OURS).unwrap();
        let failed = place.fill(&[("a.txt", b"1".into()), ("no/such/dir", b"2".into())]);
        assert!(matches!(failed, Err(FolderError::Disk { .. })));
        assert!(names(home.path()).is_empty());
    }

    #[test]
    fn roots_files_and_missing_parents_are_refused() {
        let home = tempfile::tempdir().unwrap();
        let file = home.path().join("file");
        fs::write(&file, "").unwrap();
        assert!(matches!(
            Place::claim(&file, true, &OURS),
            Err(FolderError::NotAFolder { .. })
        ));
        assert!(matches!(
            Place::claim(Path::new("/"), true, &OURS),
            Err(FolderError::NoName { .. })
        ));
        assert!(matches!(
            Place::claim(&home.path().join("a/b"), true, &OURS),
            Err(FolderError::NoParent { .. })
        ));
    }
}
