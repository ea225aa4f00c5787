//! What planning does with a configuration: what an edit would change, the work that is coming, rules that never do what
//! they say, and what new zone data moved.
//!
//! The rule of this room: nothing here plans. The planner's own functions are asked, and what they would do or did is told.

pub mod forecast;
pub mod plan_warnings;
pub mod preview;
pub mod zone_moves;
