//! The program around the engine: fittings in, pattern folders out, and words for the person.
//!
//! | layer | module | rule |
//! |---|---|---|
//! | what was ordered | [`fitting`] | one file, every key checked, lengths in millimetres |
//! | files | [`write`] | true scale, the same bytes for the same drawing |
//! | what is written | [`folder`] | bytes in memory first, then a folder complete or not at all |

pub mod fitting;

pub mod folder;

pub mod head_picture;

pub mod measuring_sheet;

pub mod outcome;

pub mod picture;

pub mod write;
