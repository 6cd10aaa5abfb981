//! The materials that can be named, and what they take.
//!
//! None of these figures has a published source: there is no open stretch curve of wig lace, and
//! makers go by hand. They are the middle of what the trade goes by and are meant to be replaced in
//! the fitting by a sample measured in the shop.

use flatten::job::Material;

/// A built-in material.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stock {
    /// Its name in a fitting.
    pub name: &'static str,
    /// Strain it takes without puckering or pulling. Common practice, no source.
    pub limit: f64,
    /// Resistance to being crowded, against 1 for being stretched. Our judgement, no source.
    pub crowding: f64,
    /// Allowance beside seams and dart legs, mm. Common practice, no source.
    pub seam_mm: f64,
    /// Width it is sold at, mm, where one is known. One supplier's list: lace 60 cm wide by length.
    pub width_mm: Option<f64>,
    /// Where the figures come from, for print.
    pub remark: &'static str,
}

/// The table, in the order of the README.
pub const STOCK: [Stock; 6] = [
    Stock {
        name: "light lace",
        limit: 0.03,
        crowding: 1.0,
        seam_mm: 6.0,
        width_mm: Some(600.0),
        remark: "lace gives 2 to 3 %: common practice, no source",
    },
    Stock {
        name: "heavy lace",
        limit: 0.02,
        crowding: 1.0,
        seam_mm: 8.0,
        width_mm: Some(600.0),
        remark: "lace gives 2 to 3 %, the heavier less: common practice, no source",
    },
    Stock {
        name: "stretch net",
        limit: 0.06,
        crowding: 1.0,
        seam_mm: 8.0,
        width_mm: None,
        remark: "5 to 8 % worn without pulling: common practice, no source",
    },
    Stock {
        name: "monofilament",
        limit: 0.015,
        crowding: 1.0,
        seam_mm: 10.0,
        width_mm: None,
        remark: "1 to 2 %: common practice, no source",
    },
    Stock {
        name: "gauze",
        limit: 0.015,
        crowding: 1.0,
        seam_mm: 10.0,
        width_mm: None,
        remark: "woven, gives on the bias only, taken as monofilament: common practice, no source",
    },
    Stock {
        name: "thin film",
        limit: 0.04,
        crowding: 1.0,
        seam_mm: 5.0,
        width_mm: None,
        remark: "3 to 5 %: common practice, no source; film stretches much farther but creeps and \
                 lifts at the edge",
    },
];

impl Stock {
    /// The one of that name.
    pub fn named(name: &str) -> Option<Self> {
        STOCK.into_iter().find(|stock| stock.name == name)
    }

    /// As the engine takes it.
    pub fn material(self) -> Material {
        Material {
            name: self.name.into(),
            limit: self.limit,
            tension: 1.0,
            crowding: self.crowding,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_material_has_its_own_name_and_a_believable_limit() {
        for (i, stock) in STOCK.iter().enumerate() {
            assert!(stock.limit > 0.005 && stock.limit < 0.1, "{}", stock.name);
            assert!(STOCK[..i].iter().all(|other| other.name != stock.name));
            assert!(stock.remark.contains("no source"));
        }
    }
}
