//! A layout as numbers between 0 and 1, independent of the head's size.
//!
//! The perimeter is counted from the front landmark (0) over the ear (½) to the nape landmark (1), on
//! either side, so that one set of numbers means the same place on another head and its mirror image
//! is the same numbers on the other side.

use std::f64::consts::FRAC_PI_2;

use crate::patch::Patch;

use super::super::{Anchor, DartSpec, Layout, Side, Towards};

/// Where one dart goes: mouth round the half perimeter, lean from square, depth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Gene {
    /// Mouth: 0 at the front landmark, ½ at the ear, 1 at the nape.
    pub(crate) mouth: f64,
    /// Turn of the dart from square to the edge, radians, + leans its point to the front.
    pub(crate) lean: f64,
    /// Depth as a fraction of the front-to-nape arc.
    pub(crate) depth: f64,
}

/// Widest lean from square that is tried: flatter darts run along the hairline and can't be sewn.
const WIDEST_LEAN: f64 = 0.88 * FRAC_PI_2;
/// Shortest and longest depth that are tried, in front-to-nape arcs. Common practice asks for 40–80 mm
/// darts; long slantwise ones let out far more strain, so both are offered.
const DEPTHS: (f64, f64) = (0.07, 0.85);
/// Mouths that are tried: the front is excluded by the rules, this only saves draws.
const MOUTHS: (f64, f64) = (0.2, 1.0);

impl Gene {
    /// The gene as three numbers between 0 and 1.
    pub(crate) fn to_unit(self) -> [f64; 3] {
        let part = |x: f64, (low, high): (f64, f64)| ((x - low) / (high - low)).clamp(0.0, 1.0);
        [
            part(self.mouth, MOUTHS),
            part(self.lean, (-WIDEST_LEAN, WIDEST_LEAN)),
            part(self.depth, DEPTHS),
        ]
    }

    /// The gene that three numbers between 0 and 1 stand for.
    pub(crate) fn from_unit(x: &[f64]) -> Self {
        let whole = |t: f64, (low, high): (f64, f64)| low + t * (high - low);
        Self {
            mouth: whole(x[0], MOUTHS),
            lean: whole(x[1], (-WIDEST_LEAN, WIDEST_LEAN)),
            depth: whole(x[2], DEPTHS),
        }
    }
}

/// Lengths that turn genes into orders: arc positions of the landmarks along the perimeter, counted
/// from the front landmark with the surface on the left.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Ruler {
    left_ear: f64,
    nape: f64,
    right_ear: f64,
    total: f64,
    /// Front-to-nape arc, mm.
    over: f64,
    /// Whether front, ears and nape are four places on this perimeter; on a partial base they may not be.
    apart: bool,
}

impl Ruler {
    /// Measures a patch.
    pub(crate) fn new(patch: &Patch) -> Self {
        let edge = patch.perimeter_edge();
        let run = edge.length_mm;
        let nearest = |landmark| edge.nearest(&patch.mesh, landmark).0;
        let head = &patch.head;
        let mut ruler = Self {
            left_ear: nearest(head.left_ear),
            nape: nearest(head.nape),
            right_ear: nearest(head.right_ear),
            total: run,
            over: nalgebra::distance(&head.front, &head.crown)
                + nalgebra::distance(&head.crown, &head.nape),
            apart: true,
        };
        let order = [
            0.0,
            ruler.left_ear,
            ruler.nape,
            ruler.right_ear,
            ruler.total,
        ];
        if order.windows(2).any(|w| w[1] - w[0] < 0.05 * run) {
            (ruler.left_ear, ruler.nape, ruler.right_ear) = (0.25 * run, 0.5 * run, 0.75 * run);
            ruler.apart = false;
        }
        ruler
    }

    /// Length of the perimeter, mm.
    pub(crate) fn total(&self) -> f64 {
        self.total
    }

    /// The side with the longer way from front to nape first, so that a mirrored head is searched as its
    /// mirror image.
    pub(crate) fn sides(&self) -> [Side; 2] {
        if self.nape >= self.total - self.nape {
            [Side::Left, Side::Right]
        } else {
            [Side::Right, Side::Left]
        }
    }

    /// The gene of a dart whose depth is in mm.
    pub(crate) fn gene(&self, mouth: f64, lean: f64, depth_mm: f64) -> Gene {
        Gene {
            mouth,
            lean,
            depth: depth_mm / self.over,
        }
    }

    /// The order that puts a gene on one side of the head.
    pub(crate) fn spec(&self, gene: Gene, side: Side) -> DartSpec {
        let (front, ear, nape) = match side {
            Side::Left => (0.0, self.left_ear, self.nape),
            Side::Right => (self.total, self.right_ear, self.nape),
        };
        let mouth = gene.mouth;
        let at = if mouth < 0.5 {
            front + (ear - front) * mouth / 0.5
        } else {
            ear + (nape - ear) * (mouth - 0.5) / 0.5
        };
        // `along` runs to the client's left at front and nape and to the front at the ears; leaning
        // to the front is + where `along` runs to the front.
        let (from, along_mm, to_front) = match (side, mouth) {
            (Side::Left, m) if m < 0.25 || !self.apart => (Anchor::Front, at, -1.0),
            (Side::Right, m) if m < 0.25 || !self.apart => (Anchor::Front, at - self.total, 1.0),
            (Side::Left, m) if m < 0.75 => (Anchor::LeftEar, ear - at, 1.0),
            (Side::Right, m) if m < 0.75 => (Anchor::RightEar, at - ear, 1.0),
            (Side::Left, _) => (Anchor::Nape, nape - at, 1.0),
            (Side::Right, _) => (Anchor::Nape, nape - at, -1.0),
        };
        DartSpec {
            from,
            along_mm,
            depth_mm: gene.depth * self.over,
            towards: Towards::Turned(to_front * gene.lean),
        }
    }

    /// Mirror pairs of the genes, and a single dart at the nape's centre when `single` gives its depth.
    pub(crate) fn mirrored(&self, name: &str, pairs: &[Gene], single: Option<f64>) -> Layout {
        let mut darts = Vec::with_capacity(2 * pairs.len() + 1);
        for &gene in pairs {
            darts.push(self.spec(gene, Side::Left));
            darts.push(self.spec(gene, Side::Right));
        }
        if let Some(depth) = single {
            darts.push(self.spec(
                Gene {
                    mouth: 1.0,
                    lean: 0.0,
                    depth,
                },
                Side::Left,
            ));
        }
        Layout {
            name: name.to_owned(),
            darts,
            seams: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ruler() -> Ruler {
        Ruler {
            left_ear: 150.0,
            nape: 300.0,
            right_ear: 450.0,
            total: 600.0,
            over: 350.0,
            apart: true,
        }
    }

    #[test]
    fn a_gene_survives_the_unit_cube() {
        let gene = Gene {
            mouth: 0.61,
            lean: -0.4,
            depth: 0.3,
        };
        let back = Gene::from_unit(&gene.to_unit());
        assert!((back.mouth - 0.61).abs() < 1e-12);
        assert!((back.lean + 0.4).abs() < 1e-12);
        assert!((back.depth - 0.3).abs() < 1e-12);
    }

    #[test]
    fn mirror_twins_have_mirrored_orders() {
        for mouth in [0.22, 0.4, 0.6, 0.9] {
            let gene = Gene {
                mouth,
                lean: 0.3,
                depth: 0.2,
            };
            let (l, r) = (
                ruler().spec(gene, Side::Left),
                ruler().spec(gene, Side::Right),
            );
            let sign = if matches!(l.from, Anchor::LeftEar) {
                1.0
            } else {
                -1.0
            };
            assert!((l.along_mm - sign * r.along_mm).abs() < 1e-9, "{l:?} {r:?}");
            let (Towards::Turned(a), Towards::Turned(b)) = (l.towards, r.towards) else {
                panic!()
            };
            assert!((a - sign * b).abs() < 1e-12);
        }
    }
}
