//! The program around the engine: fittings in, pattern folders out, and words for the person.
//!
//! | layer | module | rule |
//! |---|---|---|
//! | what was ordered | [`fitting`] | one file, every key checked, lengths in millimetres |
//! | what is written | [`folder`] | bytes in memory first, then a folder complete or not at all |

pub mod fitting;

pub mod folder;

pub mod outcome;

pub mod picture;
