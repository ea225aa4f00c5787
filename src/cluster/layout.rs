//! Where things lie in the data directory, and how clients address the socket in it.
//!
//! The rule: no other file of this module joins a path of the data directory by hand.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use super::{ClusterError, OWNER};

/// Part of the socket's file name; no network port is opened.
pub(super) const PORT: u16 = 5432;

/// `sun_path` has 108 bytes on Linux, the last of them a NUL: unix(7).
const SOCKET_PATH_LIMIT: usize = 107;

/// The paths of one data directory.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    root: PathBuf,
}

impl Layout {
    /// Checks that clients can address a socket in `data_dir`.
    pub(super) fn new(data_dir: &Path) -> Result<Self, ClusterError> {
        let root = std::path::absolute(data_dir).map_err(ClusterError::io("find the absolute path of", data_dir))?;
        if root.to_str().is_none() {
            return Err(ClusterError::NotUtf8 { dir: root });
        }
        let layout = Self { root };
        let socket = layout.socket();
        let length = socket.as_os_str().len();
        if length > SOCKET_PATH_LIMIT {
            return Err(ClusterError::SocketPathTooLong { path: socket, length, limit: SOCKET_PATH_LIMIT });
        }
        Ok(layout)
    }

    /// The data directory itself.
    pub(super) fn root(&self) -> &Path {
        &self.root
    }

    /// The cluster, once it is complete.
    pub(super) fn pgdata(&self) -> PathBuf {
        self.root.join("pgdata")
    }

    /// A cluster in the making. Our process number keeps it apart from the one that the orphaned
    /// `initdb` of a killed service may still be writing to.
    pub(super) fn pgdata_in_the_making(&self) -> PathBuf {
        self.root.join(format!("{UNFINISHED}{}", std::process::id()))
    }

    /// Whether a file name is that of a cluster in the making.
    pub(super) fn is_in_the_making(file_name: &str) -> bool {
        file_name.starts_with(UNFINISHED)
    }

    /// The folder of the socket.
    pub(super) fn run(&self) -> PathBuf {
        self.root.join("run")
    }

    /// The socket. Postgres chooses its name.
    fn socket(&self) -> PathBuf {
        self.run().join(format!(".s.PGSQL.{PORT}"))
    }

    /// The file by which Postgres marks the socket as taken.
    pub(super) fn socket_lock(&self) -> PathBuf {
        self.run().join(format!(".s.PGSQL.{PORT}.lock"))
    }

    /// The server's log.
    pub(super) fn log(&self) -> PathBuf {
        self.root.join("postgres.log")
    }

    /// The file whose lock says that a service uses the directory.
    pub(super) fn lock(&self) -> PathBuf {
        self.root.join("chairtide.lock")
    }

    /// The connection string of a database of this cluster.
    pub(super) fn url(&self, database: &str) -> String {
        let run = self.run();
        format!(
            "postgres://{OWNER}@localhost:{PORT}/{}?host={}&sslmode=disable",
            percent_encode(database),
            percent_encode(run.to_str().expect("`new` accepts UTF-8 paths only")),
        )
    }
}

const UNFINISHED: &str = "pgdata.new-";

/// Encodes everything but the unreserved characters of RFC 3986, section 2.3.
fn percent_encode(text: &str) -> String {
    let mut encoded = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            encoded.push(char::from(byte));
        } else {
            write!(encoded, "%{byte:02X}").expect("writing to a String cannot fail");
        }
    }
    encoded
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_socket_path_of_107_bytes_fits_and_one_more_is_refused() {
        // unix(7): sun_path[108], which holds the path and its terminating NUL.
        let rest = "/run/.s.PGSQL.5432".len();
        let longest = format!("/{}", "d".repeat(107 - rest - 1));
        assert!(Layout::new(Path::new(&longest)).is_ok());

        let error = Layout::new(Path::new(&format!("{longest}d"))).unwrap_err();
        assert!(matches!(error, ClusterError::SocketPathTooLong { length: 108, .. }), "{error}");
    }

    #[test]
    fn a_path_with_signs_of_its_own_meaning_survives_in_the_url() {
        let layout = Layout::new(Path::new("/srv/a b&c%/ü")).unwrap();
        // The encoding as Python's urllib.parse.quote(…, safe="") gives it.
        assert_eq!(
            layout.url("chair?tide"),
            "postgres://chairtide_owner@localhost:5432/chair%3Ftide\
             ?host=%2Fsrv%2Fa%20b%26c%25%2F%C3%BC%2Frun&sslmode=disable"
        );
    }
}
