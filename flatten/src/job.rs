//! One fitting as the engine takes it, every length in millimetres and every point on the scan's
//! own axes.

use crate::{
    dart::Layout,
    mesh::CleanMesh,
    patch::{Head, KeepClear, Outline},
    piece::{Allowance, Grain},
};

/// Everything that decides a pattern.
#[derive(Debug, Clone)]
pub struct Job {
    /// Client number.
    pub client: String,
    /// The mold.
    pub mold: CleanMesh,
    /// Landmarks and axes on it.
    pub head: Head,
    /// Perimeter and openings.
    pub outline: Outline,
    /// Places to leave alone.
    pub keep_clear: Vec<KeepClear>,
    /// How far outside (+) or inside (−) the mold's surface the base lies, mm.
    pub offset_mm: f64,
    /// What the base is made of.
    pub material: Material,
    /// Margins of material.
    pub allowance: Allowance,
    /// Lay of the material.
    pub grain: Grain,
    /// Where strain is let out.
    pub layout: LayoutChoice,
    /// Date to print, when the fitting gives one.
    pub date: Option<String>,
}

/// A base material.
#[derive(Debug, Clone, PartialEq)]
pub struct Material {
    /// Name printed on the sheets.
    pub name: String,
    /// Strain it takes without puckering or pulling.
    pub limit: f64,
    /// Resistance to being stretched, relative.
    pub tension: f64,
    /// Resistance to being crowded, relative.
    pub crowding: f64,
}

/// Which layout the maker asks for.
#[derive(Debug, Clone, PartialEq)]
pub enum LayoutChoice {
    /// No darts.
    None,
    /// This many darts, evenly spread, none on the front hairline.
    Even(usize),
    /// The fewest darts that meet the material's limit, at most this many.
    Auto {
        /// Most darts allowed.
        most: usize,
    },
    /// As ordered.
    Given(Layout),
}
