//! The whole way, from a fitting's parts to pieces.
//!
//! Six calls: cut the patch, choose a layout, cut it, lay the panels flat, make the pieces, check them.
//! What is clever is in the stages.

use rayon::prelude::*;

use crate::{
    Point3,
    dart::{
        self, Breach, CutPatch, DartError, Found, Ground, Layout, Near, Reach, Rules, SearchOptions,
    },
    flat::{self, FlatError, FlatMap, LengthSummary, StrainField, StrainSummary, overlap},
    job::{Job, LayoutChoice},
    patch::{Patch, PatchError},
    piece::{self, Order, Piece, PieceError, SeamCheck},
    tape::{self, Stations, TapePath},
};

/// Greatest relative difference between the finished perimeter and the head's that a good base has.
pub const PERIMETER_LIMIT: f64 = 0.005;

/// Greatest difference between two lines that are sewn together, mm.
pub const SEAM_LIMIT_MM: f64 = 0.3;

/// Greatest relative difference between a piece's area as drawn and as laid flat. Fitted curves and
/// trued legs move an edge by tenths of a millimetre; a wrong scale or a lost part by far more.
pub const DRAWN_LIMIT: f64 = 0.02;

/// A step of the work, for whoever shows progress.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Step {
    /// Cutting the patch from the mold.
    Patch,
    /// Looking for darts.
    Search,
    /// Cutting the layout.
    Cut,
    /// Laying panels flat.
    Flat,
    /// Making pieces.
    Pieces,
}

/// All that was computed for one fitting.
#[derive(Debug, Clone)]
pub struct Pattern {
    /// What the base covers.
    pub patch: Patch,
    /// Darts and seams as cut.
    pub layout: Layout,
    /// What the automatic search found, when it was asked.
    pub found: Option<Found>,
    /// The patch with the layout cut in.
    pub cut: CutPatch,
    /// Flat map of each panel.
    pub maps: Vec<FlatMap>,
    /// Strain of each panel.
    pub fields: Vec<StrainField>,
    /// Strain of the whole base.
    pub strain: StrainSummary,
    /// Length of the finished edges, perimeter and openings, flat against head.
    pub edges: LengthSummary,
    /// What is cut and sewn, parallel to the panels.
    pub pieces: Vec<Piece>,
    /// Every seam walked.
    pub seams: Vec<SeamCheck>,
    /// Rules of the craft that the layout breaks.
    pub breaches: Vec<Breach>,
    /// What keeps the pattern from being trusted, gravest first.
    pub faults: Vec<Fault>,
}

/// Something that a pattern should not have, found by checking it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Fault {
    /// Triangles lie turned over in the plane.
    #[error(
        "{count} triangles of piece {piece} are turned over in the plane; the pattern can't be used there"
    )]
    Flipped {
        /// Piece letter.
        piece: String,
        /// Number of triangles.
        count: usize,
    },
    /// A piece lies on itself.
    #[error("piece {piece} lies on itself in {count} places; add a dart or a seam there")]
    Overlap {
        /// Piece letter.
        piece: String,
        /// Number of crossings.
        count: usize,
    },
    /// A piece as drawn is not the panel that was laid flat.
    #[error(
        "piece {piece} as drawn has {:+.1} % more area than laid flat, {:.0} % are allowed; the pattern can't be used there",
        100.0 * error, 100.0 * DRAWN_LIMIT
    )]
    Drawn {
        /// Piece letter.
        piece: String,
        /// Relative difference.
        error: f64,
    },
    /// The descent stopped before its rule was met.
    #[error(
        "piece {piece} could not be laid to rest in {steps} steps; its strain may be lower than said"
    )]
    NotConverged {
        /// Piece letter.
        piece: String,
        /// Steps taken.
        steps: usize,
    },
    /// Two lines to be sewn together differ.
    #[error(
        "two lines that are sewn together differ by {mismatch_mm:.2} mm; {SEAM_LIMIT_MM} mm are allowed"
    )]
    SeamMismatch {
        /// The difference.
        mismatch_mm: f64,
    },
    /// More strain than the material takes.
    #[error(
        "the material takes {:.1} % of stretch or crowding and this layout asks it for up to {:.1} % on 95 % of the base, and for more on the rest: it may pucker or pull there; add darts, or choose a material that gives more",
        100.0 * limit, 100.0 * p95
    )]
    Strain {
        /// 95th percentile.
        p95: f64,
        /// The material's limit.
        limit: f64,
    },
    /// What kept the automatic layout from meeting a limit.
    #[error(
        "the automatic layout could do no better with at most {most} darts{}",
        kept(rules)
    )]
    HeldBack {
        /// Most darts it might use.
        most: usize,
        /// Rules it keeps by next to nothing.
        rules: Vec<Near>,
    },
    /// The finished edge is longer or shorter than the head's.
    #[error("the finished edges come out {:+.1} % off the head's length, {:.1} % are allowed", 100.0 * error, 100.0 * PERIMETER_LIMIT)]
    Perimeter {
        /// Relative difference.
        error: f64,
    },
}

/// The distances that left a layout no more room, in words.
fn kept(rules: &[Near]) -> String {
    let words: Vec<&str> = rules.iter().map(|rule| rule.rule()).collect();
    if words.is_empty() {
        String::new()
    } else {
        format!(" and the distances kept {}", words.join(", "))
    }
}

impl Fault {
    /// Whether the pattern must not be cut at all.
    #[must_use]
    pub fn unusable(&self) -> bool {
        matches!(
            self,
            Self::Flipped { .. } | Self::Overlap { .. } | Self::Drawn { .. }
        )
    }
}

/// Why no pattern could be made.
#[derive(Debug, thiserror::Error)]
pub enum DraftError {
    /// The patch could not be cut.
    #[error(transparent)]
    Patch(#[from] PatchError),
    /// The layout could not be cut.
    #[error(transparent)]
    Dart(#[from] DartError),
    /// A panel could not be laid flat.
    #[error(transparent)]
    Flat(#[from] FlatError),
    /// The pieces could not be made.
    #[error(transparent)]
    Piece(#[from] PieceError),
}

/// Drafts the pattern of a fitting.
///
/// `observe` is told of each step as it begins.
///
/// # Errors
/// [`DraftError`] when the outline or the layout can't be cut, or the surface can't be laid flat. What
/// is merely not good comes back in [`Pattern::faults`].
pub fn draft(job: &Job, observe: &(dyn Fn(Step) + Sync)) -> Result<Pattern, DraftError> {
    observe(Step::Patch);
    let patch = job_patch(job)?;
    observe(Step::Search);
    let chosen = choose(job, &patch, std::slice::from_ref(&job.layout))?.remove(0);
    draft_chosen(job, patch, chosen, observe)
}

/// Drafts a layout that was chosen for a patch.
///
/// # Errors
/// As [`draft`].
pub fn draft_chosen(
    job: &Job,
    patch: Patch,
    chosen: Chosen,
    observe: &(dyn Fn(Step) + Sync),
) -> Result<Pattern, DraftError> {
    let pattern = draft_layout(job, patch, chosen.layout, chosen.found, observe)?;
    if pattern.faults.iter().any(Fault::unusable) {
        return Ok(next_best(job, &pattern, observe).unwrap_or(pattern));
    }
    Ok(pattern)
}

/// What the automatic search can offer instead where its best layout can't be used: it lays darts flat, and only the
/// pieces show that a narrow tongue between two of them crosses itself. The best one of more darts, if that
/// meets the limit too, else of all others the one that strains least.
fn next_best(job: &Job, pattern: &Pattern, observe: &(dyn Fn(Step) + Sync)) -> Option<Pattern> {
    let found = pattern.found.as_ref()?;
    let usable = |layout: &Layout, found: &Found| {
        let (patch, layout) = (pattern.patch.clone(), layout.clone());
        let other = draft_layout(job, patch, layout, Some(found.clone()), observe).ok()?;
        let usable = !other.faults.iter().any(Fault::unusable);
        usable.then_some(other)
    };
    let more = || {
        observe(Step::Search);
        let options = SearchOptions {
            fewest: found.best.layout.darts.len() + 1,
            ..SearchOptions::default()
        };
        let (patch, tapes) = (&pattern.patch, tapes(job, &pattern.patch));
        let more = dart::search_each(patch, &job.material, &tapes, &options, &[found.most]);
        let more = more.ok()?.pop().filter(|more| more.met)?;
        usable(&more.best.layout, &more)
    };
    let strained = || {
        let others = found.curve.iter();
        let mut others: Vec<&Reach> = others.filter(|r| r.layout != pattern.layout).collect();
        others.sort_by(|a, b| a.p95.total_cmp(&b.p95));
        others
            .into_iter()
            .find_map(|reach| usable(&reach.layout, found))
    };
    found.met.then(more).flatten().or_else(strained)
}

/// Cuts a fitting's patch and sets it off from the mold's face.
///
/// # Errors
/// [`PatchError`] when the outline can't be cut.
pub fn job_patch(job: &Job) -> Result<Patch, PatchError> {
    let patch = Patch::cut(
        &job.mold.mesh,
        job.head,
        &job.outline,
        job.keep_clear.clone(),
    )?;
    if job.offset_mm == 0.0 {
        Ok(patch)
    } else {
        Ok(patch.set_off(job.offset_mm)?)
    }
}

/// A layout, and what the search found where it was asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Chosen {
    /// Darts and seams.
    pub layout: Layout,
    /// The automatic search's evidence.
    pub found: Option<Found>,
}

/// The layouts that are asked for, on a patch; several automatic ones share their search.
///
/// # Errors
/// [`DartError`] when not even the patch without darts can be cut.
pub fn choose(
    job: &Job,
    patch: &Patch,
    choices: &[LayoutChoice],
) -> Result<Vec<Chosen>, DartError> {
    let automatic = |choice: &LayoutChoice| match choice {
        LayoutChoice::Auto { most } => Some(*most),
        _ => None,
    };
    let most: Vec<usize> = choices.iter().filter_map(automatic).collect();
    let mut found = if most.is_empty() {
        Vec::new()
    } else {
        let options = SearchOptions::default();
        dart::search_each(patch, &job.material, &tapes(job, patch), &options, &most)?
    }
    .into_iter();
    let given = |layout| {
        let found = None;
        Some(Chosen { layout, found })
    };
    let chosen = choices.iter().filter_map(|choice| match choice {
        LayoutChoice::Auto { .. } => found.next().map(|found| Chosen {
            layout: found.best.layout.clone(),
            found: Some(found),
        }),
        LayoutChoice::None => given(Layout::without_darts()),
        LayoutChoice::Even(count) => given(dart::even(patch, *count)),
        LayoutChoice::Given(layout) => given(layout.clone()),
    });
    Ok(chosen.collect())
}

/// Drafts a given layout on a patch that is already cut.
fn draft_layout(
    job: &Job,
    patch: Patch,
    layout: Layout,
    found: Option<Found>,
    observe: &(dyn Fn(Step) + Sync),
) -> Result<Pattern, DraftError> {
    observe(Step::Cut);
    let cut = dart::cut(&patch, &layout)?;
    observe(Step::Flat);
    let (laid, _) = flat::lay_along(&cut.panels, &job.material, &tapes(job, &patch))?;
    let (mut maps, fields): (Vec<_>, Vec<_>) = laid.into_iter().unzip();
    for (panel, map) in cut.panels.iter().zip(&mut maps) {
        flat::orient::front_up(&panel.mesh, &mut map.uv, job.head.right, job.head.forward);
    }
    observe(Step::Pieces);
    let order = Order {
        cut: &cut,
        maps: &maps,
        head: &job.head,
        keep_clear: &job.keep_clear,
        allowance: &job.allowance,
        client: &job.client,
        material: &job.material.name,
        grain: job.grain,
        date: job.date.as_deref(),
    };
    let summary = || {
        let strain = StrainField::joined(&fields).summary(job.material.limit);
        let panels = cut.panels.iter().zip(maps.iter().map(|m| &m.uv[..]));
        let breaches = Ground::new(&patch, Rules::default()).breaches(&cut);
        (strain, flat::finished_length(panels), breaches)
    };
    let (pieces, (strain, edges, breaches)) = rayon::join(|| piece::make(&order), summary);
    let pieces = pieces?;
    let mut pattern = Pattern {
        strain,
        edges,
        seams: piece::seam_checks(&pieces),
        breaches,
        faults: Vec::new(),
        patch,
        layout,
        found,
        cut,
        maps,
        fields,
        pieces,
    };
    pattern.faults = pattern.check();
    Ok(pattern)
}

/// The tapes that a maker lays over the sewn base to check it, beside those along its edge.
fn tapes(job: &Job, patch: &Patch) -> Vec<Vec<Point3>> {
    let perimeter: Vec<Point3> = patch
        .perimeter
        .iter()
        .map(|&v| patch.mesh.position(v))
        .collect();
    let stations = Stations::of(&job.head, &perimeter);
    [
        TapePath::FrontToNape,
        TapePath::EarToEarOver,
        TapePath::TempleToTempleBack,
    ]
    .into_par_iter()
    .filter_map(|path| Some(tape::measure(&job.mold.mesh, &stations, path)?.points))
    .collect()
}

/// Whether a figure is not within its limit; what is no number is not.
fn beyond(figure: f64, limit: f64) -> bool {
    figure.is_nan() || figure > limit
}

impl Pattern {
    /// Whether strain and finished edges are within their limits.
    #[must_use]
    pub fn limit_met(&self) -> bool {
        self.strain.p95 <= self.strain.limit && self.edge_error().abs() <= PERIMETER_LIMIT
    }

    /// Length of the sewn perimeter, darts closed, over the head's, less 1; openings not counted.
    #[must_use]
    pub fn perimeter_error(&self) -> f64 {
        let sum = |length: fn(&piece::Measured) -> f64| -> f64 {
            self.pieces.iter().map(|p| length(&p.measured)).sum()
        };
        let head_mm = sum(|m| m.perimeter_head_mm);
        if head_mm > 0.0 {
            sum(|m| m.perimeter_mm) / head_mm - 1.0
        } else {
            0.0
        }
    }

    /// The worse of the perimeter alone and of all finished edges: a short opening must not hide a long
    /// perimeter.
    #[must_use]
    pub fn edge_error(&self) -> f64 {
        let perimeter = self.perimeter_error();
        if perimeter.abs() > self.edges.error.abs() {
            perimeter
        } else {
            self.edges.error
        }
    }

    /// Greatest difference between two lines that are sewn together, mm.
    #[must_use]
    pub fn seam_mismatch_mm(&self) -> f64 {
        let legs = self.pieces.iter().map(|p| p.measured.leg_mismatch_mm);
        legs.chain(self.seams.iter().map(|s| s.mismatch_mm))
            .fold(0.0, f64::max)
    }

    /// Places where a piece lies on itself: crossings of its edges as laid flat, of its cut line and of
    /// its sew line, and vertices whose triangles go round more than once.
    #[must_use]
    pub fn crossings(&self, piece: usize) -> usize {
        let measured = &self.pieces[piece].measured;
        let loops: Vec<Vec<u32>> = self.cut.panels[piece]
            .loops
            .iter()
            .map(|ring| ring.vertices.clone())
            .collect();
        let uv = &self.maps[piece].uv;
        overlap::crossings(&loops, uv).len()
            + overlap::windings(&self.cut.panels[piece].mesh, uv)
            + measured.cut_crossings
            + measured.sew_crossings
    }

    /// Signed areas of a panel's triangles in the plane, mm²; none for a place that is no number.
    fn flat_areas(&self, piece: usize) -> impl Iterator<Item = Option<f64>> {
        let uv = &self.maps[piece].uv;
        self.cut.panels[piece].mesh.faces().iter().map(|face| {
            let [a, b, c] = face.map(|v| uv[v as usize]);
            let area = 0.5 * (b - a).perp(&(c - a));
            area.is_finite().then_some(area)
        })
    }

    /// Everything that a pattern should not have, gravest first.
    ///
    /// Flips, crossings and areas are taken from the maps and pieces themselves, whatever their
    /// reports say. [`draft`] does this before anything is written.
    #[must_use]
    pub fn check(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        for (i, piece) in self.pieces.iter().enumerate() {
            let id = || piece.id.clone();
            let upright = |area: &Option<f64>| area.is_some_and(|area| area > 0.0);
            let count = self.flat_areas(i).filter(|area| !upright(area)).count();
            if count > 0 {
                faults.push(Fault::Flipped { piece: id(), count });
            }
            let count = self.crossings(i);
            if count > 0 {
                faults.push(Fault::Overlap { piece: id(), count });
            }
            let flat_mm2: f64 = self.flat_areas(i).flatten().sum();
            let error = piece.measured.sew_area_mm2 / flat_mm2 - 1.0;
            if beyond(error.abs(), DRAWN_LIMIT) {
                faults.push(Fault::Drawn { piece: id(), error });
            }
        }
        let mismatch_mm = self.seam_mismatch_mm();
        if beyond(mismatch_mm, SEAM_LIMIT_MM) {
            faults.push(Fault::SeamMismatch { mismatch_mm });
        }
        if beyond(self.strain.p95, self.strain.limit) {
            faults.push(Fault::Strain {
                p95: self.strain.p95,
                limit: self.strain.limit,
            });
        }
        let error = self.edge_error();
        if beyond(error.abs(), PERIMETER_LIMIT) {
            faults.push(Fault::Perimeter { error });
        }
        if let Some(found) = self.found.as_ref().filter(|_| !self.limit_met()) {
            faults.push(Fault::HeldBack {
                most: found.most,
                rules: found.held_back_by.clone(),
            });
        }
        for (map, piece) in self.maps.iter().zip(&self.pieces) {
            if !map.report.converged {
                let steps = map.report.steps;
                faults.push(Fault::NotConverged {
                    piece: piece.id.clone(),
                    steps,
                });
            }
        }
        faults
    }

    /// Nearest a dart comes to the front hairline and to an opening it does not start on, mm.
    #[must_use]
    pub fn nearest_mm(&self) -> [Option<f64>; 2] {
        Ground::new(&self.patch, Rules::default()).nearest_mm(&self.cut)
    }

    /// Where a dart runs on the head, mouth first.
    #[must_use]
    pub fn dart_on_head(&self, dart: usize) -> Vec<Point3> {
        self.cut.darts[dart]
            .path
            .iter()
            .map(|&v| self.cut.mesh.position(v))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        dart::{Anchor, DartSpec, Towards},
        form::average_head,
        job::Material,
        mesh::CleanMesh,
        piece::{Allowance, Grain},
    };

    fn job() -> Job {
        let form = average_head();
        Job {
            client: "0042".into(),
            mold: CleanMesh {
                mesh: form.mesh(2000),
                paint: None,
            },
            head: form.head(),
            outline: form.outline(),
            keep_clear: Vec::new(),
            offset_mm: 0.0,
            material: Material {
                name: "invented".into(),
                limit: 0.05,
                tension: 1.0,
                crowding: 1.0,
            },
            allowance: Allowance {
                front_mm: 10.0,
                sides_mm: 10.0,
                nape_mm: 10.0,
                opening_mm: 6.0,
                seam_mm: 6.0,
                dart_mm: 6.0,
            },
            grain: Grain::FrontBack,
            layout: LayoutChoice::Even(2),
            date: None,
        }
    }

    /// What a search might have said of a layout.
    fn reach(layout: Layout, p95: f64) -> Reach {
        Reach {
            layout,
            genes: Vec::new(),
            p95,
            perimeter_error: 0.0,
            length_mm: 0.0,
            take_up_mm: Vec::new(),
        }
    }

    fn dart(along_mm: f64, depth_mm: f64) -> DartSpec {
        DartSpec {
            from: Anchor::Nape,
            along_mm,
            depth_mm,
            towards: Towards::Inward,
        }
    }

    fn given(darts: Vec<DartSpec>) -> Layout {
        Layout {
            name: "given".into(),
            darts,
            seams: Vec::new(),
        }
    }

    #[test]
    fn where_the_best_layout_cant_be_used_the_next_best_that_can_is_drafted() {
        let job = job();
        let mut pattern = draft(&job, &|_| {}).unwrap();
        // Longer than the head, so it can't be cut.
        let uncut = reach(given(vec![dart(0.0, 900.0)]), 0.01);
        let worse = reach(dart::even(&pattern.patch, 3), 0.03);
        let next = reach(dart::even(&pattern.patch, 4), 0.02);
        let own = reach(pattern.layout.clone(), 0.001);
        let found = |curve: Vec<Reach>| Found {
            best: own.clone(),
            met: false,
            curve,
            uneven_mm: 0.0,
            tried: 4,
            most: 4,
            held_back_by: Vec::new(),
        };
        // Nothing was searched, nothing can be found.
        assert!(next_best(&job, &pattern, &|_| {}).is_none());
        // Fewest darts first, as a search tells it, and not least strain first.
        let curve = vec![uncut.clone(), own.clone(), worse, next.clone()];
        pattern.found = Some(found(curve));
        let other = next_best(&job, &pattern, &|_| {}).unwrap();
        assert_eq!(other.layout, next.layout);
        assert_eq!(other.found, pattern.found);
        assert!(!other.faults.iter().any(Fault::unusable));
        // The best one again is no way out, nor is one that can't be cut.
        pattern.found = Some(found(vec![uncut, own.clone()]));
        assert!(next_best(&job, &pattern, &|_| {}).is_none());
        // Where the limit was met it is looked for with more darts, and not only in what strains more.
        pattern.found = Some(Found {
            met: true,
            most: 6,
            ..found(vec![own.clone(), next])
        });
        let other = next_best(&job, &pattern, &|_| {}).unwrap();
        assert!(other.layout.darts.len() > own.layout.darts.len() && other.limit_met());
        assert!(
            other
                .found
                .is_some_and(|more| more.best.layout == other.layout)
        );
    }
}
