//! Points as `[x, y]` in files.

use serde::{Deserialize, Deserializer, Serializer, ser::SerializeSeq};

use crate::Point2;

/// Writes a point as `[x, y]`.
///
/// # Errors
/// Whatever the format reports.
pub fn serialize<S: Serializer>(p: &Point2, serializer: S) -> Result<S::Ok, S::Error> {
    serde::Serialize::serialize(&[p.x, p.y], serializer)
}

/// Reads a point from `[x, y]`.
///
/// # Errors
/// Whatever the format reports.
pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Point2, D::Error> {
    <[f64; 2]>::deserialize(deserializer).map(|[x, y]| Point2::new(x, y))
}

/// A list of points as `[[x, y], …]`.
pub mod list {
    use super::{Deserialize, Deserializer, Point2, SerializeSeq, Serializer};

    /// Writes points as `[[x, y], …]`.
    ///
    /// # Errors
    /// Whatever the format reports.
    pub fn serialize<S: Serializer>(points: &[Point2], serializer: S) -> Result<S::Ok, S::Error> {
        let mut seq = serializer.serialize_seq(Some(points.len()))?;
        for p in points {
            seq.serialize_element(&[p.x, p.y])?;
        }
        seq.end()
    }

    /// Reads points from `[[x, y], …]`.
    ///
    /// # Errors
    /// Whatever the format reports.
    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Vec<Point2>, D::Error> {
        let pairs = <Vec<[f64; 2]>>::deserialize(deserializer)?;
        Ok(pairs.into_iter().map(|[x, y]| Point2::new(x, y)).collect())
    }
}
