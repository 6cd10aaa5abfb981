//! What a base takes: cloth on its stock, ribbon, areas by zone, hair.

use flatten::{
    draft::Pattern,
    piece::{
        Piece,
        hair::{HairPlan, HairZone, zone_areas},
        stock::{self, LayError},
    },
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{round, round_ratio};
use crate::fitting::{Fitting, Hair};

/// What a base takes of everything.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Need {
    /// Ribbon or tape along all finished edges: perimeter and openings, nothing added for joins, mm.
    pub ribbon_mm: f64,
    /// The pieces on the stock; none where its width is not known or a piece does not fit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stock: Option<StockUsed>,
    /// Areas of the base on the head, by the direction seen from the middle between the ears' tops: top
    /// within 45° of straight up; below that front and back a quarter of the way round each, sides
    /// the rest. With hair where the fitting gives a density.
    pub zones: Vec<ZoneUsed>,
    /// Hair, where the fitting gives a density.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hair: Option<HairUsed>,
}

/// The pieces on the stock.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StockUsed {
    /// Width of the stock, mm.
    pub width_mm: f64,
    /// Length of one sheet; none: a roll, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sheet_length_mm: Option<f64>,
    /// Length to order, of the roll or of all sheets together, mm.
    pub length_mm: f64,
    /// Sheets to order; 1 for a roll.
    pub sheets: usize,
    /// Part of the ordered area that no piece covers.
    pub waste: f64,
    /// Where each piece lies, grain along the stock.
    pub laid: Vec<LaidUsed>,
}

/// A piece on the stock.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LaidUsed {
    /// The piece.
    pub piece: String,
    /// Sheet, from 1.
    pub sheet: usize,
    /// Left end of its box, across the stock, mm.
    pub x_mm: f64,
    /// Lower end of its box, along the stock, mm.
    pub y_mm: f64,
    /// Width of its box across the stock, mm.
    pub width_mm: f64,
    /// Length of its box along the stock, mm.
    pub height_mm: f64,
    /// Turn from how the piece is drawn, degrees, counter-clockwise.
    pub turn_deg: f64,
}

/// A zone of the base.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ZoneUsed {
    /// `front`, `sides`, `top` or `back`.
    pub name: String,
    /// Its area on the head, mm².
    pub area_mm2: f64,
    /// Hairs on a square centimetre, where the fitting gives it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hairs_per_cm2: Option<f64>,
    /// Number of hairs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hairs: Option<f64>,
    /// Their weight, g.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grams: Option<f64>,
}

/// Hair for the whole base, without waste.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HairUsed {
    /// Length that hangs, mm.
    pub length_mm: f64,
    /// Length folded back into the knot, mm.
    pub fold_mm: f64,
    /// Thickness of a hair, mm.
    pub thickness_mm: f64,
    /// Number of hairs.
    pub hairs: f64,
    /// Their weight: π/4 · thickness² · length · 1.32 g/cm³, g.
    pub grams: f64,
}

impl Need {
    /// What the pattern takes, and why its pieces can't be laid on the stock, where they can't.
    pub(super) fn of(fitting: &Fitting, pattern: &Pattern) -> (Self, Option<LayError>) {
        let edges = pattern.pieces.iter().map(|piece| {
            let openings = piece
                .openings
                .iter()
                .map(|opening| ring_mm(&opening.sew_line_mm));
            piece.measured.perimeter_mm + openings.sum::<f64>()
        });
        let areas = zone_areas(&pattern.patch.mesh, &pattern.patch.head);
        let zones: Vec<ZoneUsed> = HairZone::ALL
            .into_iter()
            .enumerate()
            .map(|(k, zone)| ZoneUsed::of(zone, areas[k], fitting.hair.as_ref()))
            .collect();
        let hair = fitting.hair.map(|hair| HairUsed {
            length_mm: round(hair.plan.length_mm),
            fold_mm: round(hair.plan.return_mm),
            thickness_mm: round(hair.plan.diameter_mm),
            hairs: zones.iter().filter_map(|zone| zone.hairs).sum(),
            grams: round(zones.iter().filter_map(|zone| zone.grams).sum()),
        });
        let (stock, why) = match fitting
            .stock
            .map(|stock| stock::lay(&pattern.pieces, stock))
        {
            Some(Ok(lay)) => (Some(StockUsed::of(&lay)), None),
            Some(Err(why)) => (None, Some(why)),
            None => (None, None),
        };
        let need = Self {
            ribbon_mm: round(edges.sum()),
            stock,
            zones,
            hair,
        };
        (need, why)
    }
}

fn ring_mm(ring: &[flatten::Point2]) -> f64 {
    let next = ring.iter().cycle().skip(1);
    ring.iter().zip(next).map(|(a, b)| (b - a).norm()).sum()
}

impl ZoneUsed {
    fn of(zone: HairZone, area_mm2: f64, hair: Option<&Hair>) -> Self {
        let plan = hair.map(|hair| HairPlan {
            per_cm2: hair.zones[zone as usize].unwrap_or(hair.plan.per_cm2),
            ..hair.plan
        });
        let need = plan.map(|plan| plan.need(area_mm2));
        Self {
            name: zone.key().into(),
            area_mm2: round(area_mm2),
            hairs_per_cm2: plan.map(|plan| plan.per_cm2),
            hairs: need.map(|need| need.hairs.round()),
            grams: need.map(|need| round(need.grams)),
        }
    }
}

impl StockUsed {
    fn of(lay: &stock::Lay) -> Self {
        Self {
            width_mm: round(lay.stock.width_mm),
            sheet_length_mm: lay.stock.length_mm.map(round),
            length_mm: round(lay.length_mm),
            sheets: lay.sheets,
            waste: round_ratio(lay.waste),
            laid: lay
                .laid
                .iter()
                .map(|laid| LaidUsed {
                    piece: laid.id.clone(),
                    sheet: laid.sheet + 1,
                    x_mm: round(laid.x_mm),
                    y_mm: round(laid.y_mm),
                    width_mm: round(laid.width_mm),
                    height_mm: round(laid.height_mm),
                    turn_deg: round(laid.turn_rad.to_degrees()),
                })
                .collect(),
        }
    }

    /// The cut line of a piece where it lies on its sheet.
    pub(crate) fn outline(&self, laid: &LaidUsed, piece: &Piece) -> Vec<flatten::Point2> {
        let place = stock::Laid {
            id: laid.piece.clone(),
            sheet: laid.sheet - 1,
            x_mm: laid.x_mm,
            y_mm: laid.y_mm,
            width_mm: laid.width_mm,
            height_mm: laid.height_mm,
            turn_rad: laid.turn_deg.to_radians(),
        };
        place.outline(piece)
    }
}
