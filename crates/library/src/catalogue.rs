//! The catalogue: an SQLite file with what is known about every recording.

use crate::entry::{ChannelEntry, checked_laps};
use crate::folder::{CATALOGUE, Folder, RECORDINGS};
use crate::manifest::{Clock, Manifest};
use crate::{LapEntry, LapId, LibraryError, RecordingEntry, RemovedEntry, StoredLap};
use channels::Origin;
use jiff::Timestamp;
use rusqlite::types::Type as SqlType;
use rusqlite::{
    Connection, OpenFlags, OptionalExtension, Params, Row, Transaction, TransactionBehavior, params,
};
use serde_json::value::RawValue;
use std::collections::BTreeSet;
use std::path::Path;
use std::str::FromStr;
use std::time::{Duration, Instant};

/// How long to wait for another process that writes. Steps inside the catalogue take milliseconds; this covers a slow
/// disk.
pub(crate) const PATIENCE: Duration = Duration::from_secs(10);

/// Marks an SQLite file as a catalogue of ours: "LAPW".
const APPLICATION_ID: i64 = 0x4C41_5057;

/// From each version to the next. Never edit one that was released; add another.
const MIGRATIONS: &[&str] = &[include_str!("catalogue.sql")];

/// Version of the catalogue that this program writes.
pub(crate) const SCHEMA_VERSION: i64 = MIGRATIONS.len() as i64;

pub(crate) type SqlResult<T> = rusqlite::Result<T>;

/// Opens the catalogue for reading and writing, makes it when it is new, and brings it up to date.
pub(crate) fn open(folder: &Folder) -> Result<Connection, LibraryError> {
    let fail = |e| crate::error::catalogue_error(folder.root(), e);
    let flags =
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut db = Connection::open_with_flags(folder.catalogue(), flags).map_err(fail)?;
    db.busy_timeout(PATIENCE).map_err(fail)?;
    check_identity(&db, folder)?;
    write_ahead(&db).map_err(fail)?;
    // Full: what was acknowledged is on the disk. Without foreign keys rows would outlive their recording.
    db.execute_batch("PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON").map_err(fail)?;
    migrate(&mut db).map_err(fail)?;
    // Another process with a newer program may have been in between.
    check_identity(&db, folder)?;
    Ok(db)
}

/// Opens the catalogue of a folder in which nothing can be written.
pub(crate) fn open_read_only(folder: &Folder) -> Result<Connection, LibraryError> {
    let fail = |e| crate::error::catalogue_error(folder.root(), e);
    let flags =
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_URI;
    let log = folder.root().join(format!("{CATALOGUE}-wal"));
    // Without a log nobody else is writing, and SQLite need not make its shared-memory file, which it could not.
    let immutable = std::fs::metadata(log).map_or(true, |m| m.len() == 0);
    let uri = format!("{}?immutable={}", file_uri(&folder.catalogue()), u8::from(immutable));
    let db = Connection::open_with_flags(uri, flags).map_err(fail)?;
    db.busy_timeout(PATIENCE).map_err(fail)?;
    check_identity(&db, folder)?;
    let version = user_version(&db).map_err(fail)?;
    if version < SCHEMA_VERSION {
        // Older, and bringing it up to date means writing.
        return Err(LibraryError::ReadOnly(folder.root().to_owned()));
    }
    Ok(db)
}

/// `file:` address of a path, as SQLite reads it.
///
/// # Source
/// `[RFC3986]` sec. 2.1; SQLite, *Uniform Resource Identifiers* (from memory).
fn file_uri(path: &Path) -> String {
    let text = path.to_string_lossy();
    let text = text.strip_prefix(r"\\?\").unwrap_or(&text);
    let text = if cfg!(windows) { text.replace('\\', "/") } else { text.to_owned() };
    let drive = text.as_bytes().get(1) == Some(&b':');
    let mut uri = String::from(if drive && cfg!(windows) { "file:///" } else { "file:" });
    for byte in text.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'-' | b'.' | b'_' | b'~' | b':' => {
                uri.push(char::from(byte));
            }
            _ => uri.push_str(&format!("%{byte:02X}")),
        }
    }
    uri
}

fn user_version(db: &Connection) -> SqlResult<i64> {
    db.query_row("PRAGMA user_version", [], |r| r.get(0))
}

/// Refuses a database of somebody else, and one from a later version of this program.
fn check_identity(db: &Connection, folder: &Folder) -> Result<(), LibraryError> {
    let fail = |e| crate::error::catalogue_error(folder.root(), e);
    let id: i64 = db.query_row("PRAGMA application_id", [], |r| r.get(0)).map_err(fail)?;
    let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0)).map_err(fail)?;
    // A file without tables is one whose making was interrupted.
    if id != APPLICATION_ID && (id != 0 || tables != 0) {
        let found = format!("its {CATALOGUE} was made by another program");
        return Err(LibraryError::NotALibrary { dir: folder.root().to_owned(), found });
    }
    let found = user_version(db).map_err(fail)?;
    if found > SCHEMA_VERSION {
        return Err(LibraryError::Newer { dir: folder.root().to_owned(), found });
    }
    Ok(())
}

/// Turns on the write-ahead log: readers never wait for a writer. SQLite does not wait by itself when two processes
/// turn it on at the same time.
fn write_ahead(db: &Connection) -> SqlResult<()> {
    let started = Instant::now();
    loop {
        match db.query_row("PRAGMA journal_mode = WAL", [], |r| r.get::<_, String>(0)) {
            // Some network file systems cannot; the rollback journal that then stays is safe too, only slower.
            Ok(_) => return Ok(()),
            Err(e) if is_busy(&e) && started.elapsed() < PATIENCE => {
                std::thread::sleep(Duration::from_millis(5));
            }
            Err(e) => return Err(e),
        }
    }
}

fn is_busy(e: &rusqlite::Error) -> bool {
    use rusqlite::ErrorCode::{DatabaseBusy, DatabaseLocked};
    matches!(e.sqlite_error_code(), Some(DatabaseBusy | DatabaseLocked))
}

fn migrate(db: &mut Connection) -> SqlResult<()> {
    if user_version(db)? >= SCHEMA_VERSION {
        return Ok(());
    }
    let change = begin(db)?;
    let from = usize::try_from(user_version(&change)?).unwrap_or(0);
    for step in MIGRATIONS.iter().skip(from) {
        change.execute_batch(step)?;
    }
    change.pragma_update(None, "application_id", APPLICATION_ID)?;
    let version = user_version(&change)?.max(SCHEMA_VERSION);
    change.pragma_update(None, "user_version", version)?;
    change.commit()
}

/// Begins a change. Takes the write lock at once, so that what is read in it stays true until the commit.
pub(crate) fn begin(db: &mut Connection) -> SqlResult<Transaction<'_>> {
    db.transaction_with_behavior(TransactionBehavior::Immediate)
}

/// A text column that is parsed.
fn parsed<T: FromStr<Err: std::error::Error + Send + Sync + 'static>>(
    row: &Row<'_>,
    column: &str,
) -> SqlResult<T> {
    let text: String = row.get(column)?;
    text.parse().map_err(|e: T::Err| bad_cell(row, column, e))
}

fn parsed_if_any<T: FromStr<Err: std::error::Error + Send + Sync + 'static>>(
    row: &Row<'_>,
    column: &str,
) -> SqlResult<Option<T>> {
    let text: Option<String> = row.get(column)?;
    text.map(|t| t.parse().map_err(|e: T::Err| bad_cell(row, column, e))).transpose()
}

fn bad_cell(
    row: &Row<'_>,
    column: &str,
    e: impl std::error::Error + Send + Sync + 'static,
) -> rusqlite::Error {
    let index = row.as_ref().column_index(column).unwrap_or(0);
    rusqlite::Error::FromSqlConversionFailure(index, SqlType::Text, Box::new(e))
}

/// Columns that [`recording_entry`] reads.
const ENTRY: &str = "SELECT id, name, driver, car, circuit, source, content_sha256, recorded_at, imported_at, from_s, \
     to_s, note, removed_at, \
     (SELECT count(*) FROM lap WHERE lap.recording = r.id) AS laps, \
     (SELECT coalesce(sum(bytes), 0) FROM clock WHERE clock.recording = r.id) AS bytes, \
     (SELECT json_group_array(tag) FROM tag WHERE tag.recording = r.id) AS tags \
     FROM recording AS r";

fn recording_entry(row: &Row<'_>) -> SqlResult<RecordingEntry> {
    let (from_s, to_s): (f64, f64) = (row.get("from_s")?, row.get("to_s")?);
    Ok(RecordingEntry {
        name: row.get("name")?,
        driver: row.get("driver")?,
        car: row.get("car")?,
        circuit: row.get("circuit")?,
        source: row.get("source")?,
        content_sha256: parsed(row, "content_sha256")?,
        recorded_at: parsed_if_any(row, "recorded_at")?,
        imported_at: parsed(row, "imported_at")?,
        from_s,
        duration_s: to_s - from_s,
        laps: row.get("laps")?,
        note: row.get("note")?,
        tags: json_cell(row, "tags")?,
        bytes: row.get("bytes")?,
    })
}

fn json_cell<T: serde::de::DeserializeOwned>(row: &Row<'_>, column: &str) -> SqlResult<T> {
    let text: String = row.get(column)?;
    serde_json::from_str(&text).map_err(|e| bad_cell(row, column, e))
}

fn all<T>(
    db: &Connection,
    sql: &str,
    with: impl Params,
    read: impl FnMut(&Row<'_>) -> SqlResult<T>,
) -> SqlResult<Vec<T>> {
    db.prepare_cached(sql)?.query_map(with, read)?.collect()
}

/// Kept recordings in the order of their import.
pub(crate) fn recordings(db: &Connection) -> SqlResult<Vec<RecordingEntry>> {
    let sql = format!("{ENTRY} WHERE removed_at IS NULL ORDER BY imported_at, id");
    all(db, &sql, [], recording_entry)
}

/// Removed recordings with their ids, the latest first.
pub(crate) fn removed(db: &Connection) -> SqlResult<Vec<(i64, RemovedEntry)>> {
    let sql = format!("{ENTRY} WHERE removed_at IS NOT NULL ORDER BY removed_at DESC, id DESC");
    all(db, &sql, [], |r| {
        let entry = RemovedEntry { recording: recording_entry(r)?, removed_at: parsed(r, "removed_at")? };
        Ok((r.get("id")?, entry))
    })
}

/// Names of the kept recordings.
pub(crate) fn names(db: &Connection) -> SqlResult<Vec<String>> {
    all(db, "SELECT name FROM recording WHERE removed_at IS NULL ORDER BY name", [], |r| r.get(0))
}

pub(crate) fn find(db: &Connection, name: &str) -> SqlResult<Option<i64>> {
    let sql = "SELECT id FROM recording WHERE name = ?1 AND removed_at IS NULL";
    db.prepare_cached(sql)?.query_row([name], |r| r.get(0)).optional()
}

pub(crate) fn entry(db: &Connection, id: i64) -> SqlResult<RecordingEntry> {
    db.prepare_cached(&format!("{ENTRY} WHERE id = ?1"))?.query_row([id], recording_entry)
}

/// The kept recording made of the same source.
pub(crate) fn same_content(db: &Connection, sha256: &str) -> SqlResult<Option<RecordingEntry>> {
    let sql = format!("{ENTRY} WHERE content_sha256 = ?1 AND removed_at IS NULL");
    db.prepare_cached(&sql)?.query_row([sha256], recording_entry).optional()
}

const LAP: &str = "SELECT r.name, r.driver, r.car, r.circuit, l.number, l.kind, l.start_s, l.end_s, l.lap_time_s, \
     l.valid, l.notes FROM lap AS l JOIN recording AS r ON r.id = l.recording WHERE r.removed_at IS NULL";

fn lap_entry(row: &Row<'_>) -> SqlResult<LapEntry> {
    let recording: String = row.get("name")?;
    let lap = stored_lap(row)?;
    Ok(LapEntry {
        id: LapId { recording: recording.clone(), number: lap.number },
        recording,
        driver: row.get("driver")?,
        car: row.get("car")?,
        circuit: row.get("circuit")?,
        lap_number: lap.number,
        kind: lap.kind,
        lap_time_s: lap.lap_time_s,
        valid: lap.valid,
        notes: lap.notes,
        start_s: lap.start_s,
        end_s: lap.end_s,
    })
}

fn stored_lap(row: &Row<'_>) -> SqlResult<StoredLap> {
    Ok(StoredLap {
        number: row.get("number")?,
        kind: parsed(row, "kind")?,
        start_s: row.get("start_s")?,
        end_s: row.get("end_s")?,
        lap_time_s: row.get("lap_time_s")?,
        valid: row.get("valid")?,
        notes: json_cell(row, "notes")?,
    })
}

/// All laps, by import and start.
pub(crate) fn laps(db: &Connection) -> SqlResult<Vec<LapEntry>> {
    all(db, &format!("{LAP} ORDER BY r.imported_at, r.id, l.start_s, l.number"), [], lap_entry)
}

/// Laps of one recording, by start.
pub(crate) fn laps_of(db: &Connection, id: i64) -> SqlResult<Vec<LapEntry>> {
    all(db, &format!("{LAP} AND r.id = ?1 ORDER BY l.start_s, l.number"), [id], lap_entry)
}

/// Channels of one recording, in the order of the vocabulary.
pub(crate) fn channels_of(db: &Connection, id: i64) -> SqlResult<Vec<ChannelEntry>> {
    let sql = "SELECT channel, clock, derived FROM channel WHERE recording = ?1";
    let mut channels = all(db, sql, [id], |r| {
        let origin = if r.get("derived")? { Origin::Derived } else { Origin::Logged };
        Ok(ChannelEntry { channel: parsed(r, "channel")?, clock: r.get("clock")?, origin })
    })?;
    channels.sort_by_key(|c| c.channel);
    Ok(channels)
}

/// Sample files of one recording, by clock.
pub(crate) fn clocks_of(db: &Connection, id: i64) -> SqlResult<Vec<Clock>> {
    let sql = "SELECT file, rows, bytes, sha256 FROM clock WHERE recording = ?1 ORDER BY clock";
    all(db, sql, [id], |r| {
        Ok(Clock {
            file: r.get("file")?,
            rows: r.get("rows")?,
            bytes: r.get("bytes")?,
            sha256: parsed(r, "sha256")?,
        })
    })
}

/// Everything the catalogue knows about a recording.
pub(crate) fn manifest(db: &Connection, id: i64) -> SqlResult<Manifest> {
    let entry = entry(db, id)?;
    let (report, truth) = db.query_row("SELECT report, truth FROM recording WHERE id = ?1", [id], |r| {
        let raw = |c: &str, text: String| RawValue::from_string(text).map_err(|e| bad_cell(r, c, e));
        let truth: Option<String> = r.get("truth")?;
        Ok((raw("report", r.get("report")?)?, truth.map(|t| raw("truth", t)).transpose()?))
    })?;
    let sql = "SELECT number, kind, start_s, end_s, lap_time_s, valid, notes FROM lap WHERE recording = ?1 \
         ORDER BY start_s, number";
    Ok(Manifest {
        format: Manifest::FORMAT,
        name: entry.name,
        driver: entry.driver,
        car: entry.car,
        circuit: entry.circuit,
        source: entry.source,
        content_sha256: entry.content_sha256,
        recorded_at: entry.recorded_at,
        imported_at: entry.imported_at,
        from_s: entry.from_s,
        to_s: db.query_row("SELECT to_s FROM recording WHERE id = ?1", [id], |r| r.get(0))?,
        note: entry.note,
        tags: entry.tags,
        laps: all(db, sql, [id], stored_lap)?,
        clocks: clocks_of(db, id)?,
        channels: channels_of(db, id)?,
        report,
        truth,
    })
}

/// Adds a kept recording, or writes one anew under the same id.
pub(crate) fn put(db: &Connection, id: Option<i64>, m: &Manifest) -> SqlResult<i64> {
    debug_assert!(checked_laps(&m.laps).is_ok());
    let sql = "INSERT INTO recording (id, name, driver, car, circuit, source, content_sha256, recorded_at, imported_at, \
         from_s, to_s, note, report, truth) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)";
    if let Some(id) = id {
        db.execute("DELETE FROM recording WHERE id = ?1", [id])?;
    }
    db.prepare_cached(sql)?.execute(params![
        id,
        m.name,
        m.driver,
        m.car,
        m.circuit,
        m.source,
        m.content_sha256.to_string(),
        m.recorded_at.map(cell),
        cell(m.imported_at),
        m.from_s,
        m.to_s,
        m.note,
        m.report.get(),
        m.truth.as_ref().map(|t| t.get()),
    ])?;
    let id = id.unwrap_or_else(|| db.last_insert_rowid());
    put_tags(db, id, &m.tags)?;
    let mut lap = db.prepare_cached("INSERT INTO lap VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?;
    for l in &m.laps {
        let notes = serde_json::Value::from(l.notes.clone()).to_string();
        lap.execute(params![
            id,
            l.number,
            l.kind.as_str(),
            l.start_s,
            l.end_s,
            l.lap_time_s,
            l.valid,
            notes
        ])?;
    }
    let mut clock = db.prepare_cached("INSERT INTO clock VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?;
    for (i, c) in m.clocks.iter().enumerate() {
        clock.execute(params![id, i, c.file, c.rows, c.bytes, c.sha256.to_string()])?;
    }
    let mut channel = db.prepare_cached("INSERT INTO channel VALUES (?1, ?2, ?3, ?4)")?;
    for c in &m.channels {
        channel.execute(params![id, c.channel.name(), c.clock, c.origin == Origin::Derived])?;
    }
    Ok(id)
}

/// Replaces the tags of a recording.
pub(crate) fn put_tags(db: &Connection, id: i64, tags: &BTreeSet<String>) -> SqlResult<()> {
    db.execute("DELETE FROM tag WHERE recording = ?1", [id])?;
    let mut insert = db.prepare_cached("INSERT INTO tag VALUES (?1, ?2)")?;
    tags.iter().try_for_each(|t| insert.execute(params![id, t]).map(drop))
}

/// A step on the files that is under way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Unfinished {
    pub(crate) path: String,
    pub(crate) undo_to: Option<String>,
}

pub(crate) fn unfinished(db: &Connection) -> SqlResult<Vec<Unfinished>> {
    // Deletions first: they make room for what is moved back.
    let sql = "SELECT path, undo_to FROM unfinished ORDER BY undo_to IS NOT NULL, path";
    all(db, sql, [], |r| Ok(Unfinished { path: r.get(0)?, undo_to: r.get(1)? }))
}

pub(crate) fn note_unfinished(db: &Connection, path: &str, undo_to: Option<&str>) -> SqlResult<()> {
    db.prepare_cached("INSERT INTO unfinished VALUES (?1, ?2)")?.execute(params![path, undo_to]).map(drop)
}

pub(crate) fn finished(db: &Connection, path: &str) -> SqlResult<()> {
    db.prepare_cached("DELETE FROM unfinished WHERE path = ?1")?.execute([path]).map(drop)
}

/// Whether a recording has the name, or is about to get it or lose it.
pub(crate) fn is_taken(db: &Connection, name: &str) -> SqlResult<bool> {
    let path = format!("{RECORDINGS}/{name}");
    let sql = "SELECT EXISTS (SELECT 1 FROM recording WHERE name = ?1 AND removed_at IS NULL) \
         OR EXISTS (SELECT 1 FROM unfinished WHERE path = ?2 OR undo_to = ?2)";
    db.prepare_cached(sql)?.query_row([name, &path], |r| r.get(0))
}

/// Whether a step on the folder of a recording is under way.
pub(crate) fn is_changing(db: &Connection, name: &str) -> SqlResult<bool> {
    let sql = "SELECT EXISTS (SELECT 1 FROM unfinished WHERE path = ?1 OR undo_to = ?1)";
    db.prepare_cached(sql)?.query_row([format!("{RECORDINGS}/{name}")], |r| r.get(0))
}

/// A time as a cell: always three decimals, so that text sorts as time does.
pub(crate) fn cell(time: Timestamp) -> String {
    format!("{time:.3}")
}
