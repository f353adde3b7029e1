//! One function per thing a user can ask for; command line and page both call these.

pub mod check;
pub mod conform;
