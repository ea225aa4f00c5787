//! The command line. It sees every part of the program and wires them together.
//!
//! The rule of this module: standard output carries what a command was asked for, and nothing else; the log, progress
//! and errors go to standard error. An error is one line.

mod administer;
mod connect;
mod connections;
mod demo;
mod disposable;
mod proof;
mod serve;

use std::ffi::OsString;
use std::fmt::Write as _;
use std::io::IsTerminal as _;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context as _;
use clap::{Parser, Subcommand};
use tracing_subscriber::EnvFilter;
use uuid::Uuid;

use self::connect::Database;
use crate::config::{Config, LogFormat, VARIABLES};
use crate::demo::LoadOptions;
use crate::http::openapi;

/// Plans the hygiene routines of dental clinics into due tasks, and keeps their completions as evidence.
#[derive(Debug, Parser)]
#[command(name = "chairtide", version, after_help = variables_help())]
struct CommandLine {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Serves the API and runs the loops behind it.
    Serve {
        /// Applies missing migrations first; a private cluster is always migrated.
        #[arg(long)]
        migrate: bool,
    },
    /// Applies missing migrations and ends.
    Migrate,
    /// Plans every clinic that is due and ends; what `serve` does by itself, for a large group after an upgrade.
    Plan,
    /// Groups: the owners of clinics.
    #[command(subcommand)]
    Group(GroupCommand),
    /// API keys.
    #[command(subcommand)]
    Key(KeyCommand),
    /// Logins for auditors, who read the schema "reporting" and nothing else.
    #[command(subcommand)]
    Reporting(ReportingCommand),
    /// Prints the OpenAPI document.
    Openapi,
    /// Proofs of what was recorded; needs no database and no network.
    #[command(subcommand)]
    Proof(ProofCommand),
    /// An invented group with weeks of history, to try the service with.
    #[command(subcommand)]
    Demo(DemoCommand),
    /// A private Postgres for other programs.
    #[command(subcommand)]
    Database(DatabaseCommand),
}

#[derive(Debug, Subcommand)]
enum GroupCommand {
    /// Makes a group and prints its first administrator key, once. With the id of a group that exists it changes
    /// nothing and prints no key.
    Create {
        /// Its name.
        #[arg(long)]
        name: String,
        /// Its id; a fresh one when not given.
        #[arg(long)]
        group_id: Option<Uuid>,
    },
}

#[derive(Debug, Subcommand)]
enum KeyCommand {
    /// Makes a key that reaches the whole group and prints it, once.
    Create {
        /// The group.
        #[arg(long)]
        group_id: Uuid,
        /// `front_desk`, `chairside`, `manager`, `reader` or `administrator`.
        #[arg(long, value_parser = administer::parse_role)]
        role: crate::domain::access::Role,
        /// What to call it, to know later which to revoke.
        #[arg(long)]
        label: String,
    },
}

#[derive(Debug, Subcommand)]
enum ReportingCommand {
    /// Lets a database login read one group's reports.
    Grant {
        /// The group.
        #[arg(long)]
        group_id: Uuid,
        /// The login, which exists already.
        #[arg(long)]
        login: String,
    },
}

#[derive(Debug, Subcommand)]
enum ProofCommand {
    /// Checks a proof and prints what it is of and the head it leads to. Ends with 1 when it proves nothing.
    Check {
        /// The proof, as `GET …/record-proof` or `GET …/consistency-proof` answered; `-` reads standard input.
        file: PathBuf,
        /// The head it must lead to: a file as `GET …/chain-head` answered, or SIZE:ROOT.
        #[arg(long, value_name = "FILE|SIZE:ROOT")]
        head: Option<String>,
    },
}

#[derive(Debug, Subcommand)]
enum DemoCommand {
    /// Loads the group and a history that ends now. Where it stands already nothing is changed.
    Load {
        /// Whole days of history.
        #[arg(long, default_value_t = 28)]
        days: u32,
        /// Directory of the group's files.
        #[arg(long, default_value = "seed-demo")]
        data: PathBuf,
    },
    /// Prints lines to paste into a shell, for each kind of client.
    Show {
        /// Only shell assignments of the ids and keys of the clinic whose name holds this.
        #[arg(long, value_name = "CLINIC")]
        variables_of: Option<String>,
    },
}

#[derive(Debug, Subcommand)]
enum DatabaseCommand {
    /// Runs a command with `DATABASE_URL` set to an empty private database and ends with the command's exit code. The
    /// cluster is thrown away afterwards, unless `CHAIRTIDE_DATA_DIR` says where to keep it.
    Run {
        /// Applies the migrations before the command starts.
        #[arg(long)]
        migrate: bool,
        /// The command and its arguments, after `--`.
        #[arg(last = true, required = true)]
        command: Vec<OsString>,
    },
}

/// Runs the command line; ends with 0, 1 for an error, 2 for a command line that cannot be read, or the exit code of
/// a command that was run.
#[must_use]
pub fn main() -> ExitCode {
    let command_line = CommandLine::parse();
    let outcome = Config::from_environment().map_err(anyhow::Error::from).and_then(|config| {
        start_log(&config);
        let runtime = tokio::runtime::Runtime::new().context("the asynchronous runtime does not start")?;
        runtime.block_on(run(command_line.command, &config))
    });
    outcome.unwrap_or_else(|error| {
        eprintln!("chairtide: {error:#}");
        ExitCode::FAILURE
    })
}

async fn run(command: Command, config: &Config) -> anyhow::Result<ExitCode> {
    match command {
        Command::Serve { migrate } => serve::serve(config, migrate).await?,
        Command::Plan => on_database(config, async |database| administer::plan(database, config).await).await?,
        Command::Migrate => on_database(config, async |database| database.migrate().await).await?,
        Command::Group(GroupCommand::Create { name, group_id }) => {
            on_database(config, async |database| administer::create_group(database, &name, group_id).await).await?;
        }
        Command::Key(KeyCommand::Create { group_id, role, label }) => {
            on_database(config, async |database| administer::create_key(database, group_id, role, &label).await)
                .await?;
        }
        Command::Reporting(ReportingCommand::Grant { group_id, login }) => {
            on_database(config, async |database| administer::grant_reporting(database, group_id, &login).await).await?;
        }
        Command::Openapi => {
            let document = openapi::document().to_pretty_json().context("the document cannot be written")?;
            println!("{document}");
        }
        Command::Proof(ProofCommand::Check { file, head }) => print!("{}", proof::check(&file, head.as_deref())?),
        Command::Demo(DemoCommand::Load { days, data }) => demo::load(config, LoadOptions { days, data }).await?,
        Command::Demo(DemoCommand::Show { variables_of }) => demo::show(config, variables_of.as_deref())?,
        Command::Database(DatabaseCommand::Run { migrate, command }) => {
            return disposable::run(config, migrate, &command).await;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Does one thing on the database; a private cluster that had to be opened for it is closed again.
async fn on_database(config: &Config, act: impl AsyncFnOnce(&Database) -> anyhow::Result<()>) -> anyhow::Result<()> {
    let database = Database::open(config).await?;
    let outcome = act(&database).await;
    outcome.and(database.close().await)
}

/// Starts the log on standard error.
fn start_log(config: &Config) {
    // The filter was checked when it was read.
    let filter = EnvFilter::new(&config.log);
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal());
    match config.log_format {
        LogFormat::Text => log.init(),
        LogFormat::Json => log.json().flatten_event(true).init(),
    }
}

fn variables_help() -> String {
    let width = VARIABLES.iter().map(|variable| variable.name.len()).max().unwrap_or_default();
    let mut help = String::from("Environment:\n");
    for variable in VARIABLES {
        writeln!(help, "  {:width$}  {} [{}]", variable.name, variable.meaning, variable.default)
            .expect("writing to a String cannot fail");
    }
    help
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory as _;

    use super::*;

    #[test]
    fn the_command_line_holds_together() {
        CommandLine::command().debug_assert();
    }

    #[test]
    fn a_command_to_run_keeps_its_own_flags() {
        let line = ["chairtide", "database", "run", "--", "cargo", "test", "--migrate"];
        let Command::Database(DatabaseCommand::Run { migrate, command }) = CommandLine::parse_from(line).command else {
            panic!("another command was read");
        };
        assert!(!migrate);
        assert_eq!(command, ["cargo", "test", "--migrate"]);
    }
}
