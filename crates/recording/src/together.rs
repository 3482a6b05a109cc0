//! Several files of one drive, each with its own clocks, as one recording.

use crate::map::Map;
use crate::names::{Heading, recognise};
use crate::report::{Finding, Issue, Report};
use crate::{Progress, ReadError, Reading, Source, read};
use channels::{Channel, ClockId, Samples};

/// Reads several files as one recording: bus data beside an inertial unit, say.
///
/// Every file keeps its clocks. Times that count from elsewhere (from 1970, from the start of a computer) are brought to
/// one zero, the earliest stamp of all; files whose times start near zero are taken to have started together, which the
/// report says. Of a channel that is in two files the first is used. One map serves all: its entries go to the files that
/// have the column. Files without a channel of ours are left out and named.
///
/// # Errors
/// As [`read`]; [`ReadError::NoCommonTime`] when the files do not overlap or count from different beginnings;
/// [`ReadError::NoSuchColumn`] when the map names a column that no file has.
pub fn read_together(
    sources: &[Source<'_>],
    map: &Map,
    progress: &mut dyn FnMut(Progress),
) -> Result<Reading, ReadError> {
    let headings: Vec<Vec<Heading>> = sources
        .iter()
        .map(|s| Ok(crate::headings(*s)?.iter().map(|h| Heading::new(h)).collect()))
        .collect::<Result<_, ReadError>>()?;
    let all: Vec<Heading> = headings.iter().flatten().cloned().collect();
    let name = sources.iter().map(name_of).collect::<Vec<_>>().join(" + ");
    // A column of the map must be in one of the files.
    let known: Vec<Channel> = map.channels.keys().copied().collect();
    crate::plan::check_map(&name, &all, &known, map)?;

    let total: Option<u64> = sources.iter().map(size_of).sum();
    let mut done = 0;
    let mut parts = Vec::new();
    let mut left_out = Vec::new();
    for (source, headings) in sources.iter().zip(&headings) {
        let mut here = 0;
        let part = read(*source, &part_of(map, headings), &mut |p| {
            here = p.bytes_done;
            progress(Progress { bytes_done: done + p.bytes_done, bytes_total: total });
        });
        done += size_of(source).unwrap_or(here);
        match part {
            Ok(part) => parts.push(part),
            Err(e @ ReadError::NoChannel { .. }) => {
                left_out.push((name_of(source), e));
            }
            Err(e) => return Err(e),
        }
    }
    if parts.is_empty()
        && let Some((_, e)) = left_out.pop()
    {
        return Err(e);
    }
    let issues: Vec<Issue> =
        left_out.into_iter().map(|(file, _)| Finding::FileLeftOut { file }.into()).collect();
    if parts.len() == 1 {
        let mut only = parts.remove(0);
        only.report.issues.extend(issues);
        return Ok(only);
    }
    join(&name, parts, issues)
}

fn name_of(source: &Source<'_>) -> String {
    match source {
        Source::File(path) => path.display().to_string(),
        Source::Bytes { name, .. } => (*name).to_owned(),
    }
}

fn size_of(source: &Source<'_>) -> Option<u64> {
    match source {
        Source::File(path) => std::fs::metadata(path).ok().map(|m| m.len()),
        Source::Bytes { bytes, .. } => Some(bytes.len() as u64),
    }
}

/// The entries of a map that a file can follow.
fn part_of(map: &Map, headings: &[Heading]) -> Map {
    let mut part = map.clone();
    part.channels.retain(|channel, entry| match &entry.column {
        Some(column) => headings.iter().any(|h| h.is(column)),
        None => headings.iter().filter_map(recognise).any(|g| g.channel == *channel),
    });
    part
}

fn join(name: &str, parts: Vec<Reading>, mut issues: Vec<Issue>) -> Result<Reading, ReadError> {
    let origin = |r: &Report| r.clocks.first().map_or(0.0, |c| c.origin_s);
    let apart = |found: String| ReadError::NoCommonTime { file: name.to_owned(), found };
    let from_elsewhere = parts.iter().filter(|p| origin(&p.report) != 0.0).count();
    if from_elsewhere != 0 && from_elsewhere != parts.len() {
        let which = |elsewhere: bool| {
            let fits = |p: &&Reading| (origin(&p.report) != 0.0) == elsewhere;
            parts.iter().find(fits).map_or("", |p| p.report.source.as_str())
        };
        return Err(apart(format!("{} starts near zero, {} does not", which(false), which(true))));
    }
    let zero = parts.iter().map(|p| origin(&p.report)).fold(f64::INFINITY, f64::min);
    // The stretch that all files cover.
    let spans: Vec<(f64, f64)> = parts
        .iter()
        .filter_map(|p| {
            p.samples.span_s().map(|(a, b)| (a + (origin(&p.report) - zero), b + (origin(&p.report) - zero)))
        })
        .collect();
    let from = spans.iter().map(|s| s.0).fold(f64::NEG_INFINITY, f64::max);
    let to = spans.iter().map(|s| s.1).fold(f64::INFINITY, f64::min);
    if from >= to {
        return Err(apart(format!("one starts at {from:.3} s, after another has ended at {to:.3} s")));
    }
    if from_elsewhere == 0 {
        issues.push(Finding::StartedTogether { files: parts.len() }.into());
    }

    let mut samples = Samples::new();
    let mut report: Option<Report> = None;
    for Reading { samples: part, report: mut about } in parts {
        let shift_s = origin(&about) - zero;
        let failed = |e: &channels::SamplesError| apart(e.to_string());
        let clocks: Vec<ClockId> = part
            .clocks()
            .map(|(_, t)| samples.add_clock(t.iter().map(|t| t + shift_s).collect()).map_err(|e| failed(&e)))
            .collect::<Result<_, _>>()?;
        for channel in part.channels() {
            let (Some(view), Some(clock)) = (part.get(channel), part.clock_of(channel)) else { continue };
            if samples.clock_of(channel).is_some() {
                let taken = |r: &&Report| r.columns.iter().any(|c| c.channel == Some(channel));
                let used = report.as_ref().filter(taken).map_or_else(String::new, |r| r.source.clone());
                let reason = format!("{channel} is taken from {used}");
                for c in about.columns.iter_mut().filter(|c| c.channel == Some(channel)) {
                    (c.channel, c.reason) = (None, Some(reason.clone()));
                }
                about.clocks.iter_mut().for_each(|c| c.channels.retain(|k| *k != channel));
                issues.push(Finding::TwoFiles { channel, used, left_out: about.source.clone() }.into());
                continue;
            }
            samples
                .insert(channel, clocks[clock.0], view.values.to_vec(), view.origin)
                .map_err(|e| failed(&e))?;
        }
        for clock in &mut about.clocks {
            clock.origin_s = zero;
            for gap in &mut clock.gaps {
                gap.from_s += shift_s;
                gap.to_s += shift_s;
            }
        }
        let prefix = about.source.clone();
        let metadata: Vec<(String, String)> =
            about.metadata.iter().map(|(k, v)| (format!("{prefix}: {k}"), v.clone())).collect();
        // Which of the files an issue speaks of.
        for issue in &mut about.issues {
            issue.sentence = format!("{prefix}: {}", issue.sentence);
        }
        match &mut report {
            None => {
                about.metadata = metadata.into_iter().collect();
                report = Some(about);
            }
            Some(all) => {
                all.source = format!("{} + {}", all.source, about.source);
                all.rows += about.rows;
                all.columns.extend(about.columns);
                all.clocks.extend(about.clocks);
                all.metadata.extend(metadata);
                all.issues.extend(about.issues);
            }
        }
    }
    let Some(mut report) = report else { return Err(apart("there is no file".to_owned())) };
    report.issues.extend(issues);
    Ok(Reading { samples, report })
}
