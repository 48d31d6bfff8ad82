//! `start`: a commented site file from a few questions or flags.
//!
//! What a flag tells is not asked. On a terminal the rest is asked, each answer checked at once; without
//! one (or with `--yes`) what has a sensible default takes it and what has none is a usage error. The
//! file is checked as `check` does before anything is written, and never written over another.

use std::io::{self, BufRead, IsTerminal};
use std::path::Path;

use hereabout_words::io::error_words;

use crate::cli::StartArgs;
use crate::exit::{self, Failure};
use crate::files::outputs;
use crate::site_file::kit_file::{FrameArgs, KitFile};
use crate::site_file::{FrameText, SiteFile, SourceText};
use crate::toml_doc::quoted;

/// Longest answer that is read.
const MAX_ANSWER_BYTES: u64 = 4096;

/// Everything that the file says.
struct NewSite {
    name: String,
    /// `None` in 3D.
    tag_height_m: Option<f64>,
    source: Option<SourceText>,
    frame: Option<FrameText>,
    anchors: Vec<NewAnchor>,
}

/// One anchor as a person gives it.
#[derive(Clone, Debug, PartialEq)]
struct NewAnchor {
    id: u16,
    at_m: [f64; 3],
    name: Option<String>,
}

/// Writes `DIR/site.toml`.
///
/// # Errors
/// A file that is there already, what flags or answers lack, a folder that can't be written.
pub fn start(args: &StartArgs) -> Result<u8, Failure> {
    let path = args.dir.join("site.toml");
    if path.symlink_metadata().is_ok() {
        let what = format!("{} is there already and is never overwritten", path.display());
        let help = "edit it, or give another folder";
        return Err(Failure::new(exit::CANT_CREATE, format!("{what}\n  {help}")));
    }
    let asks = io::stdin().is_terminal() && !args.yes;
    let new_site = if asks { NewSite::ask(args)? } else { NewSite::from_flags(args)? };
    let text = new_site.toml();
    let site = SiteFile::from_text(&path, &text, None)?;
    write_new(&path, &text)?;
    for warning in &site.warnings {
        eprintln!("{warning}");
    }
    eprintln!("\n{} is written. Next:", path.display());
    for step in new_site.next_steps(&path) {
        eprintln!("  {step}");
    }
    Ok(0)
}

fn write_new(path: &Path, text: &str) -> Result<(), Failure> {
    let broken = |e: io::Error| {
        Failure::new(exit::CANT_CREATE, format!("{}: can't be made: {}", path.display(), error_words(&e)))
    };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(broken)?;
    }
    outputs::write_new(path, text)
}

/// Source and frame as far as flags and the kit's file tell them.
fn kit_from_flags(args: &StartArgs) -> Result<(Option<SourceText>, Option<FrameText>), Failure> {
    let kit = args.kit.as_deref().map(KitFile::load).transpose()?;
    args.frame.kit()?;
    let (source, frame) = kit.map_or((None, None), |k| (k.source, k.frame_text));
    let baud = args.baud.or(source.as_ref().map(|s| s.baud)).unwrap_or(115_200);
    let dtr = source.as_ref().and_then(|s| s.dtr);
    let port = args.port.clone().or(source.map(|s| s.port));
    Ok((port.map(|port| SourceText { port, baud, dtr }), args.frame.table().or(frame)))
}

/// The anchors given as flags.
fn anchors_from_flags(args: &StartArgs) -> Result<Vec<NewAnchor>, Failure> {
    let mut anchors = Vec::new();
    for text in &args.anchor {
        let anchor = parse_anchor(text).and_then(|p| unused(p, &anchors));
        anchors.push(anchor.map_err(|e| Failure::new(exit::USAGE, format!("--anchor {text}: {e}")))?);
    }
    Ok(anchors)
}

/// An anchor as `id,east,north,up[,name]`.
fn parse_anchor(text: &str) -> Result<NewAnchor, String> {
    let mut parts = text.splitn(5, ',').map(str::trim);
    let mut part = || parts.next().filter(|p| !p.is_empty());
    let (Some(id), Some(east), Some(north), Some(up)) = (part(), part(), part(), part()) else {
        return Err("expected id,east,north,up[,name], like 0,12.5,0,2.6,gate post".to_owned());
    };
    let id = id.parse().map_err(|_| format!("\"{id}\" is no id: a whole number from 0 to 65535"))?;
    let metres = |text: &str| match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err(format!("\"{text}\" is no number of metres (a point, not a comma, before decimals)")),
    };
    let name = part().map(str::to_owned);
    Ok(NewAnchor { id, at_m: [metres(east)?, metres(north)?, metres(up)?], name })
}

fn unused(anchor: NewAnchor, others: &[NewAnchor]) -> Result<NewAnchor, String> {
    match others.iter().any(|o| o.id == anchor.id) {
        true => Err(format!("id {} is given twice", anchor.id)),
        false => Ok(anchor),
    }
}

/// The folder's own name, for a site without another.
fn folder_name(dir: &Path) -> String {
    let full = std::path::absolute(dir).unwrap_or_else(|_| dir.to_owned());
    full.file_name().map_or_else(|| "site".to_owned(), |name| name.to_string_lossy().into_owned())
}

impl NewSite {
    fn from_flags(args: &StartArgs) -> Result<NewSite, Failure> {
        let (source, frame) = kit_from_flags(args)?;
        let anchors = anchors_from_flags(args)?;
        let in_3d = args.dimension.as_deref() == Some("3d");
        let mut missing = Vec::new();
        if !in_3d && args.tag_height.is_none() {
            missing.push("--tag-height M (or --dimension 3d)");
        }
        if anchors.is_empty() {
            missing.push("--anchor ID,E,N,U for each anchor");
        }
        if !missing.is_empty() {
            let what = format!("missing: {}", missing.join(", "));
            let help = "on a terminal, and without --yes, it is asked";
            return Err(Failure::new(exit::USAGE, format!("{what}\n  {help}")));
        }
        let name = args.name.clone().unwrap_or_else(|| folder_name(&args.dir));
        Ok(NewSite { name, tag_height_m: args.tag_height.filter(|_| !in_3d), source, frame, anchors })
    }

    fn ask(args: &StartArgs) -> Result<NewSite, Failure> {
        let (source, frame) = kit_from_flags(args)?;
        let mut anchors = anchors_from_flags(args)?;
        eprintln!("An empty answer takes what stands in brackets. Nothing is written before the end.\n");
        let name = match &args.name {
            Some(name) => name.clone(),
            None => ask("What is the site called?", &folder_name(&args.dir), |t| Ok(t.to_owned()))?,
        };
        let in_3d = match &args.dimension {
            Some(dimension) => dimension == "3d",
            None => {
                let what =
                    "Does the tag stay at one height or climb?\n  2d from three anchors on, 3d from four on";
                ask(what, if args.tag_height.is_some() { "2d" } else { "" }, dimension)?
            }
        };
        let tag_height_m = match args.tag_height {
            _ if in_3d => None,
            Some(height) => Some(height),
            None => Some(ask(
                "At what height, in metres?\n  of its antenna, with the same zero as the anchors' heights",
                "",
                height,
            )?),
        };
        let source = match source {
            Some(source) => Some(source),
            None => ask_source(args.baud)?,
        };
        let frame = match frame {
            Some(frame) => Some(frame),
            None => ask_frame()?,
        };
        if anchors.is_empty() {
            ask_anchors(&mut anchors)?;
        }
        Ok(NewSite { name, tag_height_m, source, frame, anchors })
    }

    /// The file. Every line that is not plain has a word beside it.
    fn toml(&self) -> String {
        let mut out = String::from(
            "# Written by `hereabout start`; yours to edit from now on, the program only reads it.\n\
             # All lengths are metres: east, north, up, from any corner you like.\n[site]\n",
        );
        out += &format!("name = {}\n", quoted(&self.name));
        match self.tag_height_m {
            Some(height) => {
                out += "dimension = \"2d\"              # the tag stays at one height\n";
                out += &format!(
                    "tag_height_m = {height:?}            # of the tag's antenna, with the anchors' zero\n"
                );
            }
            None => out += "dimension = \"3d\"\n",
        }
        out += "# area_m = [[0.0, 0.0], [24.0, 0.0], [24.0, 14.0], [0.0, 14.0]]   # where the tag can be: excludes mirror places\n\n";
        out += &self.source_toml();
        out += "\n";
        out += &self.frame_toml();
        for anchor in &self.anchors {
            out += &anchor.toml();
        }
        out + "\n# [[zone]]                    # a part of the floor that is asked about by its name\n\
               # name = \"roller door\"\n\
               # polygon_m = [[9.0, 0.0], [13.0, 0.0], [13.0, 3.5], [9.0, 3.5]]\n\n\
               [log]\npath = \"site.db\"              # beside this file; leave the table out to keep no log\n\n\
               [api]\nlisten = \"127.0.0.1:6208\"     # this machine only\n"
    }

    fn source_toml(&self) -> String {
        match &self.source {
            Some(source) => {
                let baud = match source.port.starts_with('/') {
                    true => format!("baud = {}\n", source.baud),
                    false => String::new(),
                };
                let dtr = source.dtr.map_or_else(String::new, |dtr| format!("dtr = {dtr}\n"));
                format!("[source]\nport = {}\n{baud}{dtr}", quoted(&source.port))
            }
            None => {
                "# [source]\n# port = \"/dev/serial/by-id/…\"   # or tcp://…, udp://…, file://…, sim://…\n\
                     # baud = 115200\n"
                    .to_owned()
            }
        }
    }

    fn frame_toml(&self) -> String {
        match &self.frame {
            Some(frame) => frame.toml(),
            None => "# The [frame] table goes here or at the end of this file: `hereabout learn --port … --seconds 20`\n\
                     # prints it.\n"
                .to_owned(),
        }
    }

    /// What to do now.
    fn next_steps(&self, path: &Path) -> Vec<String> {
        let path = path.display();
        let mut steps = Vec::new();
        if self.frame.is_none() {
            let port = self.source.as_ref().map_or("/dev/serial/by-id/…", |s| s.port.as_str());
            let baud = self.source.as_ref().map_or(115_200, |s| s.baud);
            steps.push(format!("hereabout learn --port {port} --baud {baud} --seconds 20 >> {path}"));
        }
        steps.push(format!("hereabout check {path}"));
        steps.push(format!("hereabout listen {path}"));
        steps.push(format!("hereabout run {path}"));
        steps
    }
}

impl NewAnchor {
    fn toml(&self) -> String {
        let name = self.name.as_ref().map_or(String::new(), |n| format!("name = {}\n", quoted(n)));
        let [east, north, up] = self.at_m;
        format!("\n[[anchor]]\nid = {}\n{name}at_m = [{east:?}, {north:?}, {up:?}]\n", self.id)
    }
}

/// Asks until the answer is one; `default` stands for an empty answer, unless it is empty itself.
fn ask<T>(what: &str, default: &str, read: impl Fn(&str) -> Result<T, String>) -> Result<T, Failure> {
    loop {
        let brackets = if default.is_empty() { String::new() } else { format!(" [{default}]") };
        eprint!("{what}{brackets}\n> ");
        let answer = answer()?;
        match read(if answer.is_empty() { default } else { &answer }) {
            Ok(value) => return Ok(value),
            Err(why) => eprintln!("{why}"),
        }
    }
}

/// A line of standard input. Its end before the last answer ends the program with nothing written.
fn answer() -> Result<String, Failure> {
    let mut line = String::new();
    let mut input = io::Read::take(io::stdin().lock(), MAX_ANSWER_BYTES);
    match input.read_line(&mut line) {
        Ok(0) => Err(Failure::new(exit::USAGE, "no more answers: nothing is written")),
        Ok(_) => Ok(line.trim().to_owned()),
        Err(e) => Err(Failure::new(exit::IO, format!("can't read the answer: {}", error_words(&e)))),
    }
}

fn dimension(text: &str) -> Result<bool, String> {
    match text.to_ascii_lowercase().as_str() {
        "2d" | "2" => Ok(false),
        "3d" | "3" => Ok(true),
        _ => Err("answer 2d or 3d".to_owned()),
    }
}

fn height(text: &str) -> Result<f64, String> {
    text.parse::<f64>()
        .ok()
        .filter(|h| (-100.0..=100.0).contains(h))
        .ok_or_else(|| "a number of metres is expected, like 0.9".to_owned())
}

fn ask_source(baud: Option<u32>) -> Result<Option<SourceText>, Failure> {
    let what =
        "On which port is the kit's primary anchor?\n  /dev/serial/by-id/…, or tcp://…; empty: not known yet";
    let known = |text: &str| match text {
        "" => Ok(None),
        text => match hereabout_ingest::Source::parse(text, 115_200, Path::new("")) {
            Ok(_) => Ok(Some(text.to_owned())),
            Err(e) => Err(hereabout_words::address::fault(&e).line()),
        },
    };
    let Some(port) = ask(what, "", known)? else { return Ok(None) };
    let whole = |t: &str| t.parse::<u32>().map_err(|_| "a whole number is expected, like 115200".to_owned());
    let baud = match baud {
        Some(baud) => baud,
        None if port.starts_with('/') => ask("At how many baud?", "115200", whole)?,
        None => 115_200,
    };
    Ok(Some(SourceText { port, baud, dtr: None }))
}

fn ask_frame() -> Result<Option<FrameText>, Failure> {
    let what = "How are its frames laid out?\n  like c3 5a seq:u8 range:u16le*4 sum8; empty: not known yet (`learn` tells)";
    let binary = |layout: &str| FrameArgs { layout: Some(layout.to_owned()), ..FrameArgs::default() };
    let known = |text: &str| match text {
        "" => Ok(None),
        text => match binary(text).kit() {
            Ok(_) => Ok(Some(binary(text))),
            Err(problems) => Err(problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")),
        },
    };
    let Some(mut args) = ask(what, "", known)? else { return Ok(None) };
    let unit = |text: &str| match text {
        "m" | "dm" | "cm" | "mm" => Ok(text.to_owned()),
        _ => Err("answer m, dm, cm or mm".to_owned()),
    };
    args.unit = Some(ask("In which unit are the ranges?", "cm", unit)?);
    let number = |text: &str| match text {
        "-" => Ok(Vec::new()),
        text if text.parse::<f64>().is_ok() => Ok(vec![text.to_owned()]),
        _ => Err("a number is expected, or - for none".to_owned()),
    };
    args.no_range = ask("Which value means \"no range\"? - for none", "0", number)?;
    Ok(args.table())
}

fn ask_anchors(anchors: &mut Vec<NewAnchor>) -> Result<(), Failure> {
    eprintln!("The anchors, one a line: id,east,north,up[,name] in metres\n  like 0,0,0,2.6,shed corner");
    loop {
        let left = if anchors.is_empty() { "first anchor" } else { "next anchor; empty: no more" };
        let known = |text: &str| match text {
            "" if anchors.is_empty() => Err("a site has at least one anchor".to_owned()),
            "" => Ok(None),
            text => parse_anchor(text).and_then(|p| unused(p, anchors)).map(Some),
        };
        match ask(left, "", known)? {
            Some(anchor) => anchors.push(anchor),
            None => return Ok(()),
        }
    }
}

#[cfg(test)]
mod tests;
