//! The folder of a library: where things lie, and the steps that survive a power cut.

use crate::error::io_error;
use crate::{Digest, LibraryError};
use std::ffi::OsStr;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// File name of the catalogue.
pub(crate) const CATALOGUE: &str = "catalogue.sqlite";
/// Kept recordings, a folder each.
pub(crate) const RECORDINGS: &str = "recordings";
/// Removed recordings, a folder each.
pub(crate) const TRASH: &str = "trash";
/// Half-written things; empty unless a program is at work.
pub(crate) const STAGING: &str = "staging";
/// Locked while a program changes files; empty.
const LOCK: &str = "lock";
/// Description of a recording, beside its sample files.
pub(crate) const MANIFEST: &str = "_recording.json";

/// Paths of one library. Relative paths in the catalogue use `/` on every system.
#[derive(Debug, Clone)]
pub(crate) struct Folder {
    root: PathBuf,
}

impl Folder {
    pub(crate) fn new(root: &Path) -> Self {
        Self { root: root.to_owned() }
    }

    pub(crate) fn root(&self) -> &Path {
        &self.root
    }

    pub(crate) fn catalogue(&self) -> PathBuf {
        self.root.join(CATALOGUE)
    }

    /// Full path of a relative one.
    pub(crate) fn at(&self, relative: &str) -> PathBuf {
        relative.split('/').fold(self.root.clone(), |path, part| path.join(part))
    }

    /// Names in the library's folder that are not its own.
    pub(crate) fn strangers(&self) -> io::Result<Vec<String>> {
        let ours = |name: &OsStr| {
            let name = name.to_string_lossy();
            // The catalogue, its log, and damaged ones that were put aside.
            name.starts_with("catalogue") || [RECORDINGS, TRASH, STAGING, LOCK].contains(&name.as_ref())
                // Left by file managers in every folder that they show.
                || [".DS_Store", "desktop.ini", "Thumbs.db"].contains(&name.as_ref())
        };
        let names = fs::read_dir(&self.root)?.collect::<Result<Vec<_>, _>>()?;
        Ok(names
            .iter()
            .map(fs::DirEntry::file_name)
            .filter(|n| !ours(n))
            .map(|n| n.to_string_lossy().into_owned())
            .collect())
    }

    /// Makes the folders inside, where they are missing.
    pub(crate) fn furnish(&self) -> Result<(), LibraryError> {
        [RECORDINGS, TRASH, STAGING].iter().try_for_each(|name| {
            let path = self.root.join(name);
            fs::create_dir_all(&path).map_err(|e| io_error("create", &path, e))
        })
    }

    fn lock_file(&self) -> io::Result<File> {
        OpenOptions::new().read(true).write(true).create(true).truncate(false).open(self.root.join(LOCK))
    }

    /// Whether a file can be made in the folder.
    pub(crate) fn can_write(&self) -> bool {
        self.lock_file().is_ok()
    }

    /// Says 'at work' for as long as the value lives, and to the end of the process at the latest: the system lets
    /// go of the lock of a killed process. Waits while another process cleans up.
    ///
    /// None on file systems without locks, where leftovers are then never cleaned up.
    pub(crate) fn at_work(&self) -> Result<Option<File>, LibraryError> {
        let path = self.root.join(LOCK);
        let file = self.lock_file().map_err(|e| io_error("open", &path, e))?;
        match file.lock_shared() {
            Ok(()) => Ok(Some(file)),
            Err(e) if e.kind() == io::ErrorKind::Unsupported => Ok(None),
            Err(e) => Err(io_error("lock", &path, e)),
        }
    }

    /// The lock that only a process alone at work gets; none when another is at work, or in a read-only folder.
    pub(crate) fn alone(&self) -> Option<File> {
        let file = self.lock_file().ok()?;
        match file.try_lock() {
            Ok(()) => Some(file),
            Err(TryLockError::WouldBlock | TryLockError::Error(_)) => None,
        }
    }
}

/// Moves a folder, and makes the move last. On systems where scanners and indexers hold fresh files open for a
/// moment, tries for half a second.
pub(crate) fn move_folder(from: &Path, to: &Path) -> Result<(), LibraryError> {
    let mut tries = if cfg!(windows) { 10 } else { 1 };
    loop {
        tries -= 1;
        match fs::rename(from, to) {
            Ok(()) => break,
            Err(e) if tries > 0 && e.kind() == io::ErrorKind::PermissionDenied => {
                std::thread::sleep(Duration::from_millis(50));
            }
            Err(e) => return Err(io_error("move", from, e)),
        }
    }
    [from, to].into_iter().filter_map(Path::parent).try_for_each(sync_folder)
}

/// Deletes a folder and all in it; fine when it is not there.
pub(crate) fn delete_folder(path: &Path) -> Result<(), LibraryError> {
    match fs::remove_dir_all(path) {
        Ok(()) => Ok(()),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(e) => Err(io_error("delete", path, e)),
    }
}

/// Writes a file so that it lasts, and returns its fingerprint.
pub(crate) fn write_file(path: &Path, content: &[u8]) -> Result<Digest, LibraryError> {
    let write = || {
        let mut file = File::create_new(path)?;
        io::Write::write_all(&mut file, content)?;
        file.sync_all()
    };
    write().map_err(|e| io_error("write", path, e))?;
    Ok(Digest::of_bytes(content))
}

/// Makes new names in a folder last. Windows has no such call and needs none: its file system logs names.
#[cfg(unix)]
pub(crate) fn sync_folder(path: &Path) -> Result<(), LibraryError> {
    match File::open(path).and_then(|f| f.sync_all()) {
        // Some network file systems cannot; their server decides then.
        Err(e) if matches!(e.kind(), io::ErrorKind::InvalidInput | io::ErrorKind::Unsupported) => Ok(()),
        other => other.map_err(|e| io_error("write", path, e)),
    }
}

/// Makes new names in a folder last. Windows has no such call and needs none: its file system logs names.
#[cfg(not(unix))]
#[allow(clippy::unnecessary_wraps)]
pub(crate) fn sync_folder(_: &Path) -> Result<(), LibraryError> {
    Ok(())
}
