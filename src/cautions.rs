//! Cautions before surfaces move, and after numbers are entered.

/// Before any surface is moved.
pub const BEFORE_MOVING: [&str; 4] = [
    "Make the motor or turbine safe: propeller off, fuel and ignition off.",
    "Keep hands, tools and cables clear of surfaces and linkages.",
    "Charge the receiver battery.",
    "Stop at once if a servo hums or a linkage binds.",
];

/// After numbers are entered.
pub const AFTER_ENTERING: [&str; 3] = [
    "Check the direction and the full travel of every surface by eye.",
    "Check failsafe and range as your club and the national body require.",
    "These figures do not replace an inspection by a competent person, and local rules come first.",
];
