//! The program: read the arguments, run, exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    one_arena();
    shankline::cli::main()
}

/// Keeps the C allocator to one arena. Threads that come and go with each recording each leave pieces in arenas of their own: a worker of `screen` grew by 8 MiB a recording, and a
/// check holds some 60 MiB more.
fn one_arena() {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    // SAFETY: `mallopt` takes two numbers and is called before any other thread is there.
    unsafe {
        libc::mallopt(libc::M_ARENA_MAX, 1);
    }
}
