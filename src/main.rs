//! The `bothends` program: arguments in, `bothends::cli` does the work.

use std::process::ExitCode;

/// Rows of samples come and go by the thousand in a cable: the usual allocator gives their
/// pages back to the system each time and asks for them anew.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    bothends::cli::main()
}
