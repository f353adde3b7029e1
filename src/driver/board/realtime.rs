//! Real-time scheduling of a sampling thread, where the system allows it.

/// Below the kernel's own interrupt threads (50), whose work the samples wait for.
const PRIORITY: i32 = 40;

/// Puts the calling thread under first-in-first-out scheduling; whether it was allowed.
#[expect(unsafe_code, reason = "no safe wrapper for sched_setscheduler is among the dependencies")]
pub(in crate::driver) fn raise() -> bool {
    let parameter = libc::sched_param { sched_priority: PRIORITY };
    // SAFETY: 0 means the calling thread, and the kernel only reads the parameter, which outlives the call.
    unsafe { libc::sched_setscheduler(0, libc::SCHED_FIFO, &raw const parameter) == 0 }
}
