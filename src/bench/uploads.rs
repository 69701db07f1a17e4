//! Uploads: clips on their way in, whole or in chunks that may break off and go on.
//!
//! A clip arrives under a temporary name in the store and moves to the folder of clips when all of it
//! is there and it is a video that can be read. What has arrived of a broken upload stays, so that it
//! goes on where it broke off, also after a restart.

use std::collections::BTreeSet;
use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::{Duration, SystemTime};

use axum::body::{Body, Bytes};
use axum::http::StatusCode;
use http_body_util::BodyExt;
use serde::{Deserialize, Serialize};
use tokio::sync::mpsc;

use super::free_name::{free_name, plain_name};
use super::ids::{Kind, id};
use super::store::Store;
use super::workshop::{CLIPS, is_inside};
use super::{Refusal, blocking::blocking};
use crate::clip::{Clip, ClipOptions};
use crate::commands::CommandError;

/// Largest clip: ten minutes of 4K at 50 Mbit/s are 3.75 GB.
pub const MOST_CLIP_BYTES: u64 = 4 << 30;

/// Room that stays free on the disk beside a clip, for what measuring writes.
const SPARE_BYTES: u64 = 200 << 20;

/// A sender that sends nothing for so long is given up; it may go on later.
const SILENCE: Duration = Duration::from_secs(60);

/// An upload that nobody went on with for so long is removed.
const ABANDONED_AFTER: Duration = Duration::from_secs(24 * 3600);

/// Pieces of a body that wait for the disk. Each is at most some 400 kB, what the connection reads
/// at once.
const WAITING_PIECES: usize = 8;

/// Name of the folder of the store.
const ARRIVING: &str = "arriving";

/// A clip of which a part has arrived.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// The id that the clip will have.
    pub id: String,
    /// The name that it will have, inside the folder that is served.
    pub file: PathBuf,
    /// Its size, if that is known.
    pub total_bytes: Option<u64>,
    /// When it was last changed where it comes from, ms since 1970: most often when it was filmed.
    pub changed_ms: Option<u64>,
}

/// Which bytes of a clip a request carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// Position of the first byte.
    pub first: u64,
    /// Number of bytes announced.
    pub length: Option<u64>,
    /// Size of the whole clip.
    pub total: Option<u64>,
}

impl Span {
    /// Reads `bytes 0-99/1000`, as a Content-Range says it (RFC 9110, 14.4).
    pub fn of_content_range(text: &str) -> Option<Self> {
        let (range, total) = text.strip_prefix("bytes ")?.split_once('/')?;
        let (first, last) = range.split_once('-')?;
        let (first, last): (u64, u64) = (first.parse().ok()?, last.parse().ok()?);
        let total: Option<u64> = match total {
            "*" => None,
            total => Some(total.parse().ok()?),
        };
        let length = last.checked_sub(first)?.checked_add(1)?;
        (total.is_none_or(|total| last < total)).then_some(Self {
            first,
            length: Some(length),
            total,
        })
    }
}

/// All clips on their way in.
pub struct Uploads {
    root: PathBuf,
    store: Store,
    busy: Mutex<BTreeSet<String>>,
}

/// Keeps others from writing to a clip while one request does.
struct Turn<'a> {
    uploads: &'a Uploads,
    id: String,
}

impl Drop for Turn<'_> {
    fn drop(&mut self) {
        if let Ok(mut busy) = self.uploads.busy.lock() {
            busy.remove(&self.id);
        }
    }
}

impl Uploads {
    /// Uploads to a folder; those that were abandoned are removed.
    pub fn to(root: &Path, store: Store) -> Self {
        let uploads = Self {
            root: root.into(),
            store,
            busy: Mutex::default(),
        };
        uploads.remove_abandoned();
        uploads
    }

    /// Begins an upload.
    ///
    /// # Errors
    /// The clip would be too large, or the disk has no room for it.
    pub fn begin(
        &self,
        name: &str,
        total_bytes: Option<u64>,
        changed_ms: Option<u64>,
    ) -> Result<Part, Refusal> {
        self.remove_abandoned();
        self.check_place()?;
        check_room(&self.root, total_bytes.unwrap_or(0))?;
        let file = self.free_name(&plain_name(name));
        let part = Part {
            id: id(Kind::Clip, &file),
            file,
            total_bytes,
            changed_ms,
        };
        let path = self.bytes_path(&part.id);
        let made = (path.parent().map_or(Ok(()), fs::create_dir_all))
            .and_then(|()| File::create(&path).map(drop))
            .and_then(|()| self.store.write(&record(&part.id), &part));
        made.map_err(|cause| disk(&cause))?;
        Ok(part)
    }

    /// An upload that has begun.
    pub fn part(&self, id: &str) -> Result<Part, Refusal> {
        let is_plain = id.chars().all(|letter| letter.is_ascii_alphanumeric());
        let part = is_plain.then(|| self.store.read(&record(id))).flatten();
        part.ok_or_else(|| Refusal::not_found("upload"))
    }

    /// How much of it has arrived, bytes.
    pub fn arrived(&self, id: &str) -> u64 {
        length_of(&self.bytes_path(id))
    }

    /// Takes a span of a clip in, and says how much is there. What arrived before a sender broke off
    /// stays.
    ///
    /// # Errors
    /// The span does not follow what is there, is too large, or the sender broke off.
    pub async fn take(&self, part: &Part, span: Span, body: Body) -> Result<u64, Refusal> {
        let _turn = self.turn(&part.id)?;
        let (path, root) = (self.bytes_path(&part.id), self.root.clone());
        let total = span.total.or(part.total_bytes);
        let file = path.clone();
        let room = blocking(move || room_for(span, total, length_of(&file), &root)).await?;
        write_body(path.clone(), room, body).await?;
        blocking(move || Ok(length_of(&path))).await
    }

    /// Moves a clip that is there whole into the folder of clips.
    ///
    /// # Errors
    /// It is no video that can be read; it is removed then.
    pub fn finish(&self, part: &Part) -> Result<PathBuf, Refusal> {
        let _turn = self.turn(&part.id)?;
        let arrived = self.bytes_path(&part.id);
        // Only a clip whose first frame can be decoded is let in.
        if let Err(error) = Clip::open(&arrived, &ClipOptions::default()) {
            self.forget(&part.id);
            let refusal = Refusal::of(&CommandError::from(error));
            let temporary = arrived.display().to_string();
            return Err(refusal.naming(&temporary, &part.file.display().to_string()));
        }
        let target = self.root.join(&part.file);
        self.check_place()?;
        let moved =
            set_changed(&arrived, part.changed_ms).and_then(|()| fs::rename(&arrived, &target));
        moved.map_err(|cause| disk(&cause))?;
        self.store.remove(&record(&part.id));
        Ok(part.file.clone())
    }

    /// Makes the folder of clips, and checks that no link leads from it to other files.
    fn check_place(&self) -> Result<(), Refusal> {
        let folder = self.root.join(CLIPS);
        fs::create_dir_all(&folder).map_err(|cause| disk(&cause))?;
        match is_inside(&self.root, &folder) {
            true => Ok(()),
            false => Err(Refusal::new(
                StatusCode::CONFLICT,
                format!("the folder {CLIPS} is a link that leads elsewhere"),
                "put a folder in its place",
            )),
        }
    }

    /// Removes what has arrived.
    pub fn forget(&self, id: &str) {
        let _ = fs::remove_file(self.bytes_path(id));
        self.store.remove(&record(id));
    }

    fn turn(&self, id: &str) -> Result<Turn<'_>, Refusal> {
        let mut busy = self.busy.lock().map_err(|_| Refusal::fault())?;
        if !busy.insert(id.to_owned()) {
            return Err(Refusal::new(
                StatusCode::CONFLICT,
                "another request is sending this clip",
                "wait until it ends, and ask with HEAD where to go on",
            ));
        }
        Ok(Turn {
            uploads: self,
            id: id.to_owned(),
        })
    }

    fn bytes_path(&self, id: &str) -> PathBuf {
        self.store.path(&format!("{ARRIVING}/{id}.bytes"))
    }

    /// A name that no clip has, and none that is on its way in.
    fn free_name(&self, name: &str) -> PathBuf {
        let (stem, ending) = name.rsplit_once('.').unwrap_or((name, "mp4"));
        let stem = Path::new(CLIPS).join(stem);
        free_name(&stem.to_string_lossy(), &format!(".{ending}"), |file| {
            let taken = self.root.join(file).symlink_metadata().is_ok();
            !taken && self.part(&id(Kind::Clip, file)).is_err()
        })
    }

    /// Removes uploads that nobody went on with, and records without bytes: the program died between
    /// moving the clip and removing the record, so that the clip is there whole.
    fn remove_abandoned(&self) {
        for name in self.store.names(ARRIVING) {
            let file = name.trim_start_matches(&format!("{ARRIVING}/"));
            let Some((id, kind)) = file.rsplit_once('.') else {
                continue;
            };
            let is_over = match kind {
                "json" => !self.bytes_path(id).exists(),
                "bytes" => is_abandoned(&self.store.path(&name)),
                _ => false,
            };
            if is_over {
                self.forget(id);
            }
        }
    }
}

/// Whether the bytes of an upload were last added to long ago.
fn is_abandoned(path: &Path) -> bool {
    let changed = fs::metadata(path).and_then(|metadata| metadata.modified());
    let age = changed.ok().and_then(|changed| changed.elapsed().ok());
    age.is_some_and(|age| age > ABANDONED_AFTER)
}

fn record(id: &str) -> String {
    format!("{ARRIVING}/{id}.json")
}

/// Bytes of a file; 0 where there is none.
fn length_of(path: &Path) -> u64 {
    fs::metadata(path).map_or(0, |metadata| metadata.len())
}

/// Most bytes that a request may append where some have arrived already.
fn room_for(span: Span, total: Option<u64>, arrived: u64, root: &Path) -> Result<u64, Refusal> {
    if span.first != arrived {
        return Err(Refusal::new(
            StatusCode::CONFLICT,
            format!(
                "{arrived} bytes have arrived, but this chunk begins at {}",
                span.first
            ),
            format!("go on at {arrived}, as HEAD says in Upload-Offset"),
        ));
    }
    let end = total.unwrap_or(MOST_CLIP_BYTES).min(MOST_CLIP_BYTES);
    let room = span.length.unwrap_or(u64::MAX).min(end - arrived.min(end));
    if span.length.is_some_and(|length| length > room) {
        return Err(Refusal::too_large(end));
    }
    let expected = total.unwrap_or(room.min(SPARE_BYTES));
    check_room(root, expected.saturating_sub(arrived))?;
    Ok(room)
}

/// Refuses what the disk has no room for.
fn check_room(root: &Path, bytes: u64) -> Result<(), Refusal> {
    if bytes > MOST_CLIP_BYTES {
        return Err(Refusal::too_large(MOST_CLIP_BYTES));
    }
    match free_bytes(root) {
        Some(free) if free < bytes + SPARE_BYTES => Err(Refusal::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!(
                "the disk has {} MB left, too little for this clip",
                free >> 20
            ),
            "delete what is no longer needed, and try again",
        )),
        _ => Ok(()),
    }
}

/// Appends a body to a file, up to a limit, as fast as the slower of network and disk.
async fn write_body(path: PathBuf, most_bytes: u64, mut body: Body) -> Result<(), Refusal> {
    let (pieces, mut waiting) = mpsc::channel::<Bytes>(WAITING_PIECES);
    let writing = tokio::spawn(blocking(move || {
        let opened = OpenOptions::new().append(true).open(path);
        let mut file = opened.map_err(|cause| disk(&cause))?;
        while let Some(piece) = waiting.blocking_recv() {
            file.write_all(&piece).map_err(|cause| disk(&cause))?;
        }
        Ok(())
    }));
    let mut left = most_bytes;
    let sent = loop {
        let frame = match tokio::time::timeout(SILENCE, body.frame()).await {
            Ok(None) => break Ok(()),
            Ok(Some(Ok(frame))) => frame,
            Ok(Some(Err(_))) | Err(_) => break Err(broken_off()),
        };
        let Ok(mut piece) = frame.into_data() else {
            continue;
        };
        let fits = usize::try_from(left).unwrap_or(usize::MAX).min(piece.len());
        let is_too_large = fits < piece.len();
        piece.truncate(fits);
        left -= fits as u64;
        if pieces.send(piece).await.is_err() {
            break Ok(());
        }
        if is_too_large {
            break Err(Refusal::too_large(most_bytes));
        }
    };
    drop(pieces);
    writing.await.map_err(|_| Refusal::fault())??;
    sent
}

fn broken_off() -> Refusal {
    Refusal::new(
        StatusCode::REQUEST_TIMEOUT,
        "the clip stopped arriving",
        "what has arrived is kept; go on where it broke off",
    )
}

fn disk(cause: &std::io::Error) -> Refusal {
    Refusal::not_kept(StatusCode::UNPROCESSABLE_ENTITY, "the clip", cause)
}

fn set_changed(path: &Path, changed_ms: Option<u64>) -> std::io::Result<()> {
    let Some(changed_ms) = changed_ms else {
        return Ok(());
    };
    let changed = SystemTime::UNIX_EPOCH.checked_add(Duration::from_millis(changed_ms));
    match changed {
        Some(changed) if changed <= SystemTime::now() => OpenOptions::new()
            .append(true)
            .open(path)?
            .set_modified(changed),
        _ => Ok(()),
    }
}

/// Room on the disk of a folder; `None` where the system does not say.
fn free_bytes(folder: &Path) -> Option<u64> {
    let folder = match folder.as_os_str().is_empty() {
        true => Path::new("."),
        false => folder,
    };
    let disk = rustix::fs::statvfs(folder).ok()?;
    Some(disk.f_bavail.saturating_mul(disk.f_frsize))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Examples of RFC 9110, 14.4, and what it calls invalid there.
    #[test]
    fn a_content_range_says_what_a_chunk_holds() {
        let span = |text| Span::of_content_range(text);
        let read = span("bytes 42-1233/1234").unwrap();
        assert_eq!(
            (read.first, read.length, read.total),
            (42, Some(1192), Some(1234))
        );
        assert_eq!(span("bytes 42-1233/*").unwrap().total, None);
        for wrong in [
            "bytes */1234",
            "bytes 5-4/10",
            "bytes 0-10/10",
            "items 0-1/2",
            "bytes -1-2/3",
            "",
            "bytes 0-18446744073709551615/*",
        ] {
            assert_eq!(span(wrong), None, "{wrong}");
        }
    }
}
