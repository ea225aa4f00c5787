//! The program: everything it does is in the library, so that tests can do it too.

use std::process::ExitCode;

fn main() -> ExitCode {
    chairtide::command::main()
}
