//! Every file that a command makes: never over an input, never through a link of strangers, never half.
//!
//! What is written goes to a new file in the same folder and takes the name at the end, in one step. A run that is cut off
//! leaves the file of before. Standard output, named pipes and devices are written directly.

use std::fs::{self, File, Metadata};
use std::io::{self, BufWriter, Write};
use std::os::fd::AsFd;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use hereabout_core::{FileFault, FileKind, odd_kind};
use hereabout_store::files::{
    FILE_MODE, create_new, folder_of, is_shared, is_trusted, look, owner, refused, settle,
};
use hereabout_words::io::error_words;
use rustix::fs::{Access, AtFlags, CWD, accessat};

use crate::exit::{self, Failure};

/// How the new files are called until they are whole; then the number of their process.
const UNFINISHED: &str = ".hereabout.new-";
/// Unfinished files of runs that were cut off are removed after this time.
const LEFT_FOR: Duration = Duration::from_secs(3600);
/// Links on the way to a file before it counts as a ring, as Linux has it (`man 7 path_resolution`).
const MAX_LINKS: u32 = 40;
/// Names of what a log, a capture or a site file has beside it.
const BESIDE: [&str; 4] = ["-wal", "-shm", "-journal", ".lock"];

/// The files of a command, which its outputs may not be: what it reads, and what it writes already.
#[derive(Debug, Default)]
pub struct FilesInUse {
    files: Vec<FileInUse>,
}

#[derive(Debug)]
struct FileInUse {
    named: PathBuf,
    settled: Option<PathBuf>,
    /// Device and number, when it is there.
    identity: Option<(u64, u64)>,
}

impl FilesInUse {
    /// The inputs of a command, with what belongs to them: a log's files, a capture's times, a site's calibration.
    pub fn inputs<'a>(paths: impl IntoIterator<Item = &'a Path>) -> FilesInUse {
        let mut in_use = FilesInUse::default();
        for path in paths {
            in_use.add_input(path);
        }
        in_use
    }

    /// One more input.
    pub fn add_input(&mut self, path: &Path) {
        self.add(path);
        for end in BESIDE {
            let mut name = path.as_os_str().to_owned();
            name.push(end);
            self.add(Path::new(&name));
        }
        match path.extension().and_then(|e| e.to_str()) {
            Some("bin") => self.add(&path.with_extension("times.csv")),
            Some("db") => self.add(&path.with_extension("key")),
            Some("toml") => self.add(&crate::files::paths::calibration_beside(path)),
            _ => {}
        }
    }

    /// One output; others may share a pipe, a device or standard output with it, but no file.
    pub fn add_output(&mut self, path: &Path) {
        let is_odd = fs::metadata(path).is_ok_and(|meta| odd_kind(&meta).is_some());
        if !is_stdout(path) && !is_descriptor(path) && !is_odd {
            self.add(path);
        }
    }

    fn add(&mut self, path: &Path) {
        let identity = fs::metadata(path).ok().map(|m| identity(&m));
        let settled = fs::canonicalize(path).ok().or_else(|| settle(path, |_, _| true).ok());
        self.files.push(FileInUse { named: path.to_owned(), settled, identity });
    }

    /// Refuses an output that is one of these files, by whatever name.
    ///
    /// # Errors
    /// Which file it is.
    pub fn refuse(&self, output: &Path) -> Result<(), Failure> {
        let identity = fs::metadata(output).ok().filter(|m| odd_kind(m).is_none()).map(|m| identity(&m));
        let settled = settle(output, |_, _| true).ok();
        self.clash(output, identity, settled.as_deref())
    }

    fn clash(
        &self,
        output: &Path,
        identity: Option<(u64, u64)>,
        settled: Option<&Path>,
    ) -> Result<(), Failure> {
        let is_it = |f: &&FileInUse| {
            (identity.is_some() && f.identity == identity)
                || (settled.is_some() && f.settled.as_deref() == settled)
        };
        let Some(file) = self.files.iter().find(is_it) else { return Ok(()) };
        let same = if file.named == output { String::new() } else { format!("{}, ", file.named.display()) };
        let what = format!(
            "{} is {same}a file that this command reads or writes itself, or one that belongs to it; it is left as it is",
            output.display()
        );
        Err(Failure::new(exit::CANT_CREATE, format!("{what}\n  give the output another name")))
    }
}

fn identity(meta: &Metadata) -> (u64, u64) {
    (meta.dev(), meta.ino())
}

/// Whether a path means standard output.
pub fn is_stdout(path: &Path) -> bool {
    path == Path::new("-") || path == Path::new("/dev/stdout")
}

/// Something that a command writes. Nothing counts until [`Output::finish`].
pub struct Output {
    named: PathBuf,
    to: To,
}

enum To {
    /// Standard output, a pipe or a device.
    Stream(BufWriter<Box<dyn Write + Send>>),
    /// A new file, and what it is called in the end.
    File { file: BufWriter<File>, unfinished: PathBuf, path: PathBuf },
    /// The new file has its name.
    Finished,
}

impl Output {
    /// Begins an output, which is then among the files that are taken.
    ///
    /// # Errors
    /// An output that is an input or another output, a link in a folder that others can write, a file that can't be made.
    pub fn begin(path: &Path, in_use: &mut FilesInUse) -> Result<Output, Failure> {
        in_use.refuse(path)?;
        let to = if is_stdout(path) {
            in_use.clash(path, stdout_identity(), None)?;
            Output::stream(io::stdout())
        } else if is_descriptor(path) {
            Output::stream(File::options().append(true).open(path).map_err(|e| cannot_write(path, &e))?)
        } else {
            match place(path).map_err(|fault| Failure::new(exit::CANT_CREATE, words(path, fault)))? {
                (there, Some(meta)) if odd_kind(&meta).is_some() => to_odd(path, &there, &meta)?,
                (there, meta) => to_new(path, there, meta.is_some())?,
            }
        };
        in_use.add_output(path);
        Ok(Output { named: path.to_owned(), to })
    }

    /// Writes a whole output at once.
    ///
    /// # Errors
    /// As [`Output::begin`] and [`Output::finish`].
    pub fn write_whole(path: &Path, text: &str, in_use: &mut FilesInUse) -> Result<(), Failure> {
        let mut output = Output::begin(path, in_use)?;
        output.write_all(text.as_bytes()).map_err(|e| cannot_write(path, &e))?;
        output.finish()
    }

    /// A write that failed on the way. Only a reader of standard output that has gone is no news.
    pub fn failed(&self, what: &str, e: &io::Error) -> Failure {
        match is_stdout(&self.named) {
            true => Failure::writing(what, e),
            false => Failure::new(exit::IO, format!("{what}: {}", error_words(e))),
        }
    }

    fn stream(to: impl Write + Send + 'static) -> To {
        To::Stream(BufWriter::new(Box::new(to)))
    }

    /// The output is whole: it gets its name.
    ///
    /// # Errors
    /// A failed write; the file of before is then still there.
    pub fn finish(mut self) -> Result<(), Failure> {
        self.flush().and_then(|()| self.name()).map_err(|e| cannot_write(&self.named, &e))
    }

    fn name(&mut self) -> io::Result<()> {
        let To::File { file, unfinished, path } = &mut self.to else { return Ok(()) };
        file.get_ref().sync_all()?;
        fs::rename(&*unfinished, &*path)?;
        self.to = To::Finished;
        Ok(())
    }
}

impl Drop for Output {
    fn drop(&mut self) {
        if let To::File { unfinished, .. } = &self.to {
            // One file too many does no harm.
            let _ = fs::remove_file(unfinished);
        }
    }
}

impl Write for Output {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.to {
            To::Stream(out) => out.write(bytes),
            To::File { file, .. } => file.write(bytes),
            To::Finished => Err(io::ErrorKind::BrokenPipe.into()),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.to {
            To::Stream(out) => out.flush(),
            To::File { file, .. } => file.flush(),
            To::Finished => Ok(()),
        }
    }
}

/// Makes a file that must not be there yet, for its owner and group alone.
///
/// # Errors
/// A file that is there, or that can't be made.
pub fn write_new(path: &Path, text: &str) -> Result<(), Failure> {
    let broken = |e: io::Error| {
        Failure::new(exit::CANT_CREATE, format!("{}: can't be made: {}", path.display(), error_words(&e)))
    };
    let mut file = create_new(path, FILE_MODE).map_err(broken)?;
    file.write_all(text.as_bytes()).map_err(broken)
}

/// The file that standard output was led into by a shell.
fn stdout_identity() -> Option<(u64, u64)> {
    let stdout = io::stdout().as_fd().try_clone_to_owned().ok()?;
    let meta = File::from(stdout).metadata().ok()?;
    odd_kind(&meta).is_none().then(|| identity(&meta))
}

/// Names of open files of this process, as shells hand them over.
fn is_descriptor(path: &Path) -> bool {
    path == Path::new("/dev/stderr") || path.starts_with("/dev/fd") || path.starts_with("/proc/self/fd")
}

/// Where an output really goes, and what is there. A link is followed only in a folder that nobody else can write.
fn place(path: &Path) -> Result<(PathBuf, Option<Metadata>), FileFault> {
    let follows = |link: &Metadata, folder: &Path| {
        is_trusted(link.uid()) || fs::metadata(folder).is_ok_and(|folder| !is_shared(&folder))
    };
    let mut path = path.to_owned();
    for _ in 0..MAX_LINKS {
        let settled = settle(&path, follows)?;
        let Some(meta) = look(&settled)? else { return Ok((settled, None)) };
        if !meta.is_symlink() {
            return Ok((settled, Some(meta)));
        }
        let folder = folder_of(&settled);
        if fs::metadata(&folder).map_or(true, |folder| is_shared(&folder)) {
            return Err(FileFault::Link { path: settled });
        }
        let to = fs::read_link(&settled).map_err(|e| refused(&settled, &e))?;
        path = folder.join(to);
    }
    Err(refused(&path, &io::ErrorKind::TooManyLinks.into()))
}

/// A named pipe or a device, unless a stranger put it there.
fn to_odd(named: &Path, path: &Path, meta: &Metadata) -> Result<To, Failure> {
    use std::os::unix::fs::FileTypeExt;
    let kind = meta.file_type();
    if kind.is_dir() || kind.is_socket() {
        let what = FileKind::of(meta);
        return Err(cannot_write(named, &io::Error::other(format!("it is {what}"))));
    }
    if kind.is_fifo() && !is_trusted(meta.uid()) {
        let fault = FileFault::Foreign { path: path.to_owned(), owner: owner(meta.uid()) };
        return Err(Failure::new(exit::CANT_CREATE, words(named, fault)));
    }
    let file = File::options().write(true).open(path).map_err(|e| cannot_write(named, &e))?;
    Ok(Output::stream(file))
}

fn to_new(named: &Path, path: PathBuf, is_there: bool) -> Result<To, Failure> {
    if is_there {
        // Who made a file read-only does not want it replaced.
        accessat(CWD, &path, Access::WRITE_OK, AtFlags::EACCESS)
            .map_err(|e| cannot_write(named, &e.into()))?;
    }
    let folder = folder_of(&path);
    remove_leftovers(&folder);
    let (unfinished, file) = unfinished(&folder).map_err(|e| cannot_write(named, &e))?;
    Ok(To::File { file: BufWriter::with_capacity(1 << 16, file), unfinished, path })
}

/// A new file with a name of its own.
fn unfinished(folder: &Path) -> io::Result<(PathBuf, File)> {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    loop {
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let path = folder.join(format!("{UNFINISHED}{}-{count}", std::process::id()));
        match create_new(&path, FILE_MODE) {
            // Left by a process that had the same number.
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists && count < 10_000 => {}
            made => return made.map(|file| (path, file)),
        }
    }
}

/// What runs that were cut off left behind. A file of a process that lives is somebody's work.
fn remove_leftovers(folder: &Path) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    for entry in entries.filter_map(Result::ok) {
        let name = entry.file_name();
        let process = name.to_str().and_then(|n| n.strip_prefix(UNFINISHED)?.split('-').next());
        let Some(Ok(process)) = process.map(str::parse::<u32>) else { continue };
        let is_old = |m: Metadata| m.modified().is_ok_and(|at| at.elapsed().is_ok_and(|age| age > LEFT_FOR));
        let lives = Path::new("/proc").join(process.to_string()).exists();
        if !lives && entry.metadata().is_ok_and(is_old) {
            let _ = fs::remove_file(entry.path());
        }
    }
}

fn words(path: &Path, fault: FileFault) -> String {
    match fault {
        FileFault::Io { fault, .. } => cannot_write(path, &fault.into()).message,
        fault => {
            let why = hereabout_words::file::fault(&fault).line();
            format!("{}: can't be written: {why}", path.display())
        }
    }
}

/// What people read when an output can't be written.
pub fn cannot_write(path: &Path, e: &io::Error) -> Failure {
    let help = match e.kind() {
        io::ErrorKind::BrokenPipe if is_stdout(path) => return Failure::writing("standard output", e),
        io::ErrorKind::PermissionDenied => {
            "\n  a new file is made beside it first, so its folder must be writable too"
        }
        _ => "",
    };
    Failure::new(exit::CANT_CREATE, format!("{}: can't be written: {}{help}", path.display(), error_words(e)))
}
