//! Setting up a process that is there for this work alone.

/// Asked for once and given back untouched, this much memory is what glibc takes as the measure of blocks to keep
/// when they are freed; it takes no more (`M_MMAP_THRESHOLD` in `mallopt(3)`).
const KEPT: usize = (32 << 20) - (64 << 10);

/// Makes the most of a process that does nothing else; to be called once, first thing in `main`. Zero threads are as many
/// as the system has processors.
///
/// The calling thread becomes one of those that share the work, so that what it reads and frees is used again by
/// what it computes; the program's other threads should leave shared work to it. And freed blocks of up to 32 MB
/// stay with the process: glibc hands those above 128 kB back to the system, and each page that comes from
/// there anew costs more than the numbers that are written to it.
///
/// # Errors
/// When the system gives no threads, or work has been shared before.
pub fn set_up(threads: usize) -> Result<(), rayon::ThreadPoolBuildError> {
    drop(std::hint::black_box(Vec::<u8>::with_capacity(KEPT)));
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .use_current_thread()
        .build_global()
}
