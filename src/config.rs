//! What an operator can set, all of it in environment variables.
//!
//! The rule of this file: settings are read here, once, and nowhere else (where `cluster` looks for programs, PATH, is
//! none of ours); a value that cannot be used ends the program with one line that names the variable. Addresses of databases hold passwords and never show in `Debug` or
//! in an error.

use std::ffi::OsString;
use std::fmt;
use std::net::SocketAddr;
use std::ops::RangeInclusive;
use std::path::PathBuf;
use std::str::FromStr;
use std::time::Duration;

use sqlx::postgres::PgConnectOptions;
use tracing_subscriber::EnvFilter;

use crate::domain::seal::LONGEST_REQUEST;
use crate::http::Limits;

/// A variable as `chairtide help` lists it.
#[derive(Clone, Copy, Debug)]
pub struct Variable {
    /// Its name.
    pub name: &'static str,
    /// What it means.
    pub meaning: &'static str,
    /// What holds when it is not set.
    pub default: &'static str,
}

const fn variable(name: &'static str, meaning: &'static str, default: &'static str) -> Variable {
    Variable { name, meaning, default }
}

/// Every variable that is read.
pub const VARIABLES: [Variable; 14] = [
    variable("CHAIRTIDE_LISTEN", "address and port to listen on", "127.0.0.1:8080"),
    variable("DATABASE_URL", "address of the service's database", "a private cluster in CHAIRTIDE_DATA_DIR"),
    variable("CHAIRTIDE_MIGRATION_DATABASE_URL", "the same database as its owner, for migrations", "DATABASE_URL"),
    variable("CHAIRTIDE_DATA_DIR", "directory of the private cluster", "chairtide-data"),
    variable("CHAIRTIDE_POSTGRES_BIN", "directory of the programs postgres and initdb", "the usual places"),
    variable("CHAIRTIDE_HORIZON_DAYS", "how far ahead clinics are planned, 1 to 60 days", "14"),
    variable("CHAIRTIDE_BODY_BYTES", "largest request body", "2097152"),
    variable("CHAIRTIDE_REQUEST_SECONDS", "longest a request may take, 540 at most", "30"),
    variable("CHAIRTIDE_CONCURRENT_REQUESTS", "requests at work at once; more get 503", "256"),
    variable("CHAIRTIDE_POOL_SIZE", "connections to the database", "16"),
    variable("CHAIRTIDE_DRAIN_SECONDS", "how long a stop waits for running requests", "20"),
    variable("CHAIRTIDE_INSTANCE_ID", "UUID of this instance in service_pulse", "a fresh one each start"),
    variable("CHAIRTIDE_LOG", "what is logged, e.g. warn,chairtide=debug", "info,sqlx=warn"),
    variable("CHAIRTIDE_LOG_FORMAT", "text or json", "text"),
];

/// What an operator has set.
#[derive(Clone, Debug)]
pub struct Config {
    /// `CHAIRTIDE_LISTEN`: address and port to listen on; 127.0.0.1:8080 when not set, so that nothing is open to the
    /// network by accident.
    pub listen: SocketAddr,
    /// `DATABASE_URL`: the service's database, with a login that is a member of `chairtide_app`. When not set, a
    /// private cluster in the data directory is opened.
    pub database_url: Option<DatabaseUrl>,
    /// `CHAIRTIDE_MIGRATION_DATABASE_URL`: the same database with the login that owns its tables, reached directly
    /// and not through a pooler; `DATABASE_URL` when not set.
    pub migration_database_url: Option<DatabaseUrl>,
    /// `CHAIRTIDE_DATA_DIR`: where the private cluster lives.
    pub data_dir: Option<PathBuf>,
    /// `CHAIRTIDE_POSTGRES_BIN`: where the server's programs are, for a private cluster.
    pub postgres_bin: Option<PathBuf>,
    /// `CHAIRTIDE_HORIZON_DAYS`: how far ahead clinics are planned, 1 to 60; 14 when not set.
    pub horizon_days: u32,
    /// `CHAIRTIDE_BODY_BYTES`, `CHAIRTIDE_REQUEST_SECONDS` and `CHAIRTIDE_CONCURRENT_REQUESTS`: 2 MiB, 30 s and 256
    /// when not set.
    pub limits: Limits,
    /// `CHAIRTIDE_POOL_SIZE`: most connections to the database; 16 when not set.
    pub pool_size: u32,
    /// `CHAIRTIDE_DRAIN_SECONDS`: how long a stop waits for running requests; 20 s when not set.
    pub drain: Duration,
    /// `CHAIRTIDE_INSTANCE_ID`: which instance this is, for one that keeps its name over restarts.
    pub instance_id: Option<uuid::Uuid>,
    /// `CHAIRTIDE_LOG`: what is logged, in the directives of `tracing-subscriber`; `info,sqlx=warn` when not set.
    pub log: String,
    /// `CHAIRTIDE_LOG_FORMAT`: `text` when not set.
    pub log_format: LogFormat,
}

/// How a line of the log is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LogFormat {
    /// For people.
    Text,
    /// One JSON object a line.
    Json,
}

impl FromStr for LogFormat {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match text {
            "text" => Ok(Self::Text),
            "json" => Ok(Self::Json),
            _ => Err("neither text nor json"),
        }
    }
}

/// The address of a database. It may hold a password, so it shows only where it is asked for by name.
#[derive(Clone, PartialEq, Eq)]
pub struct DatabaseUrl(String);

impl DatabaseUrl {
    /// The address, password and all.
    #[must_use]
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// How to connect to it.
    ///
    /// # Errors
    /// When it is not the address of a Postgres database.
    pub fn options(&self) -> Result<PgConnectOptions, sqlx::Error> {
        self.0.parse()
    }
}

impl fmt::Debug for DatabaseUrl {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("DatabaseUrl(redacted)")
    }
}

impl FromStr for DatabaseUrl {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        // The driver's own message would repeat parts of the address.
        let url = Self(text.to_owned());
        let is_postgres = text.starts_with("postgres://") || text.starts_with("postgresql://");
        if is_postgres && url.options().is_ok() {
            Ok(url)
        } else {
            Err("not an address like postgres://user@host/name")
        }
    }
}

/// A variable that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{variable}: {problem}")]
pub struct ConfigError {
    /// The variable.
    pub variable: &'static str,
    /// What is wrong with its value.
    pub problem: String,
}

impl Config {
    /// Reads the process's environment.
    ///
    /// # Errors
    /// The first variable that cannot be used.
    pub fn from_environment() -> Result<Self, ConfigError> {
        Self::read(|name| std::env::var_os(name))
    }

    /// Reads variables from `look_up`. A variable that is set to nothing counts as not set.
    ///
    /// # Errors
    /// The first variable that cannot be used.
    pub fn read(look_up: impl Fn(&str) -> Option<OsString>) -> Result<Self, ConfigError> {
        let source = Source(look_up);
        Ok(Self {
            listen: source.parsed("CHAIRTIDE_LISTEN")?.unwrap_or_else(|| SocketAddr::from(([127, 0, 0, 1], 8080))),
            database_url: source.parsed("DATABASE_URL")?,
            migration_database_url: source.parsed("CHAIRTIDE_MIGRATION_DATABASE_URL")?,
            data_dir: source.path("CHAIRTIDE_DATA_DIR"),
            postgres_bin: source.path("CHAIRTIDE_POSTGRES_BIN"),
            horizon_days: source.number("CHAIRTIDE_HORIZON_DAYS", 14, 1..=60)?,
            limits: Limits {
                body_bytes: source.number("CHAIRTIDE_BODY_BYTES", 2 * 1024 * 1024, 1024..=64 * 1024 * 1024)?,
                request_seconds: source.number(
                    "CHAIRTIDE_REQUEST_SECONDS",
                    30,
                    1..=LONGEST_REQUEST.num_seconds().unsigned_abs(),
                )?,
                concurrent_requests: source.number("CHAIRTIDE_CONCURRENT_REQUESTS", 256, 1..=100_000)?,
            },
            pool_size: source.number("CHAIRTIDE_POOL_SIZE", 16, 2..=1000)?,
            drain: Duration::from_secs(source.number("CHAIRTIDE_DRAIN_SECONDS", 20, 0..=600)?),
            instance_id: source.parsed("CHAIRTIDE_INSTANCE_ID")?,
            log: source.checked_filter("CHAIRTIDE_LOG")?,
            log_format: source.parsed("CHAIRTIDE_LOG_FORMAT")?.unwrap_or(LogFormat::Text),
        })
    }

    /// The login that owns the tables, where one is configured.
    #[must_use]
    pub fn owner_url(&self) -> Option<&DatabaseUrl> {
        self.migration_database_url.as_ref().or(self.database_url.as_ref())
    }
}

struct Source<F>(F);

impl<F: Fn(&str) -> Option<OsString>> Source<F> {
    fn path(&self, name: &'static str) -> Option<PathBuf> {
        (self.0)(name).filter(|value| !value.is_empty()).map(PathBuf::from)
    }

    fn text(&self, variable: &'static str) -> Result<Option<String>, ConfigError> {
        (self.0)(variable)
            .filter(|value| !value.is_empty())
            .map(|value| {
                value.into_string().map_err(|_| ConfigError { variable, problem: "not UTF-8 text".to_owned() })
            })
            .transpose()
    }

    fn parsed<T: FromStr<Err: fmt::Display>>(&self, variable: &'static str) -> Result<Option<T>, ConfigError> {
        self.text(variable)?
            .map(|text| text.parse().map_err(|error: T::Err| ConfigError { variable, problem: error.to_string() }))
            .transpose()
    }

    fn number<T>(&self, variable: &'static str, default: T, range: RangeInclusive<T>) -> Result<T, ConfigError>
    where
        T: FromStr + PartialOrd + fmt::Display,
    {
        let Some(text) = self.text(variable)? else { return Ok(default) };
        text.parse().ok().filter(|number| range.contains(number)).ok_or_else(|| ConfigError {
            variable,
            problem: format!("not a whole number from {} to {}", range.start(), range.end()),
        })
    }

    fn checked_filter(&self, variable: &'static str) -> Result<String, ConfigError> {
        let text = self.text(variable)?.unwrap_or_else(|| "info,sqlx=warn".to_owned());
        EnvFilter::try_new(&text).map_err(|error| ConfigError { variable, problem: error.to_string() })?;
        Ok(text)
    }
}

#[cfg(test)]
mod tests {
    use std::cell::RefCell;
    use std::collections::BTreeSet;

    use super::*;
    use crate::domain::seal::SETTLED_AFTER;

    fn read(set: &[(&str, &str)]) -> Result<Config, ConfigError> {
        Config::read(|name| set.iter().find(|(n, _)| *n == name).map(|(_, value)| OsString::from(value)))
    }

    #[test]
    fn every_variable_that_is_read_is_listed_and_every_listed_one_is_read() {
        let asked = RefCell::new(BTreeSet::new());
        Config::read(|name| {
            asked.borrow_mut().insert(name.to_owned());
            None
        })
        .unwrap();
        let listed: BTreeSet<_> = VARIABLES.iter().map(|variable| variable.name.to_owned()).collect();
        assert_eq!(asked.into_inner(), listed);
    }

    #[test]
    fn the_defaults_the_help_lists_are_those_that_hold() {
        let unset = read(&[]).unwrap();
        // The others are in words, since they depend on another variable or on the machine.
        let in_words = [
            "DATABASE_URL",
            "CHAIRTIDE_MIGRATION_DATABASE_URL",
            "CHAIRTIDE_DATA_DIR",
            "CHAIRTIDE_POSTGRES_BIN",
            "CHAIRTIDE_INSTANCE_ID",
        ];
        let literal: Vec<_> =
            VARIABLES.iter().filter(|v| !in_words.contains(&v.name)).map(|v| (v.name, v.default)).collect();
        let set = read(&literal).unwrap();
        assert_eq!(format!("{unset:?}"), format!("{set:?}"));
    }

    #[test]
    fn a_value_that_cannot_be_used_is_answered_with_one_line_that_names_the_variable() {
        for (name, value) in [
            ("CHAIRTIDE_LISTEN", "8080"),
            ("DATABASE_URL", "mysql://somewhere/else"),
            ("CHAIRTIDE_HORIZON_DAYS", "61"),
            ("CHAIRTIDE_HORIZON_DAYS", "0"),
            ("CHAIRTIDE_BODY_BYTES", "-1"),
            ("CHAIRTIDE_REQUEST_SECONDS", "541"),
            ("CHAIRTIDE_POOL_SIZE", "many"),
            ("CHAIRTIDE_INSTANCE_ID", "7"),
            ("CHAIRTIDE_LOG", "chairtide=shouting"),
            ("CHAIRTIDE_LOG_FORMAT", "xml"),
        ] {
            let line = read(&[(name, value)]).unwrap_err().to_string();
            assert!(line.starts_with(&format!("{name}: ")), "{line}");
            assert_eq!(line.lines().count(), 1, "{line}");
        }
    }

    #[test]
    fn the_longest_request_ends_a_minute_before_its_records_count_as_settled() {
        let longest = read(&[("CHAIRTIDE_REQUEST_SECONDS", "540")]).unwrap().limits.request_seconds;
        assert!(longest + 60 <= SETTLED_AFTER.num_seconds().unsigned_abs());
    }

    #[test]
    fn a_password_shows_neither_in_debug_nor_in_an_error() {
        let config = read(&[("DATABASE_URL", "postgres://app:hunter2@db/chairtide")]).unwrap();
        assert!(!format!("{config:?}").contains("hunter2"));
        assert_eq!(config.database_url.unwrap().reveal(), "postgres://app:hunter2@db/chairtide");
        for bad in ["postgres://app:hunter2@db:port/chairtide", "pg://app:hunter2@db/chairtide"] {
            assert!(!read(&[("DATABASE_URL", bad)]).unwrap_err().to_string().contains("hunter2"));
        }
    }

    #[test]
    fn a_variable_set_to_nothing_counts_as_not_set() {
        assert_eq!(read(&[("CHAIRTIDE_HORIZON_DAYS", "")]).unwrap().horizon_days, 14);
    }
}
