//! From a layout's words to lines over the patch.
//!
//! A dart starts at an exact distance along an edge and runs straight over the surface: square to the
//! edge or turned from it (a straightest line), or along the shortest line to the crown or a point,
//! and straight on from there if it is deeper. A seam runs from edge to edge through its points,
//! joined as smoothly as a perimeter is.

use crate::{
    Point3, Vector3,
    mesh::{GeodesicError, SurfacePath, SurfacePoint, normal_at, shortest, straightest},
    patch::{Edge, EdgePlace, Patch, REACH_MM, smooth_through},
};

use super::{Anchor, CutName, DartError, DartSpec, Layout, POINT_TO_EDGE_MM, SeamSpec, Towards};

/// Half the chord that gives the edge's direction at a mouth, mm: longer than the wobble of a pen
/// line, shorter than the bends of a hairline.
const CHORD_MM: f64 = 4.0;

/// Common practice: darts stop about 50 mm short of the crown; a cap of that radius lies within
/// ±2.5 % on a head of 90 mm without any cut (Milnor 1969: ratio α/sin α).
const FROM_CROWN_MM: f64 = 50.0;

/// Evenly spread darts stop this far short of openings and keep-clear places, mm (common practice, no
/// source).
const FROM_OPENING_MM: f64 = 15.0;

/// Distance from the edge that an evenly spread dart gains for each millimetre from its mouth at least,
/// up to what its point must keep: sine of 17°. Less steep ones hug the edge and can't be sewn.
const LEAST_SLANT: f64 = 0.3;

/// Where an evenly spread pair starts instead when its line would run along an edge, mm to the front.
const ASIDE_MM: [f64; 7] = [0.0, 4.0, -4.0, 8.0, -8.0, 12.0, -12.0];

/// Times that a step of two millimetres is halved to find where a dart comes too near: to a millionth of
/// a millimetre.
const HALVINGS: usize = 21;

/// Evenly spread darts shorter than this are left out, mm: they let out nothing.
const LEAST_DEPTH_MM: f64 = 15.0;

/// A patch made ready for cutting many layouts.
#[derive(Debug)]
pub struct Cutter<'a> {
    pub(super) patch: &'a Patch,
    perimeter: Edge,
    openings: Vec<Edge>,
    crown: (SurfacePoint, f64),
    /// Where counting from front, nape, left and right ear starts: asked for at every dart, and the same for all.
    landmarks: [Option<(EdgePlace, f64)>; 4],
}

/// Anchors that every patch has.
const LANDMARKS: [Anchor; 4] = [
    Anchor::Front,
    Anchor::Nape,
    Anchor::LeftEar,
    Anchor::RightEar,
];

impl<'a> Cutter<'a> {
    /// Measures the edges and finds the crown.
    #[must_use]
    pub fn new(patch: &'a Patch) -> Self {
        let (crown, _, gap) = patch.mesh.project(patch.head.crown);
        Self {
            patch,
            perimeter: patch.perimeter_edge(),
            openings: patch.opening_edges(),
            crown: (crown, gap),
            landmarks: LANDMARKS.map(|anchor| patch.anchor(anchor)),
        }
    }

    /// As [`Patch::anchor`].
    fn anchor(&self, anchor: Anchor) -> Option<(EdgePlace, f64)> {
        match LANDMARKS.iter().position(|&a| a == anchor) {
            Some(k) => self.landmarks[k],
            None => self.patch.anchor(anchor),
        }
    }

    fn edge(&self, opening: Option<usize>) -> &Edge {
        opening.map_or(&self.perimeter, |k| &self.openings[k])
    }

    pub(super) fn edges(&self) -> impl Iterator<Item = &Edge> {
        std::iter::once(&self.perimeter).chain(&self.openings)
    }

    /// Mouth and line of a dart; `number` names it in errors.
    ///
    /// # Errors
    /// [`DartError`] for a mouth that does not exist and a line that leaves the patch.
    pub fn dart_path(
        &self,
        number: usize,
        spec: &DartSpec,
    ) -> Result<(EdgePlace, SurfacePath), DartError> {
        let name = CutName::Dart(number);
        for (what, value) in [("along", spec.along_mm), ("depth", spec.depth_mm)] {
            if !value.is_finite() {
                return Err(DartError::BadNumber { name, what, value });
            }
        }
        if spec.depth_mm <= 0.0 {
            return Err(DartError::BadNumber {
                name,
                what: "depth",
                value: spec.depth_mm,
            });
        }
        let (mouth, way) = self.mouth(name, spec)?;
        let path = match spec.towards {
            Towards::Inward => self.straight(name, &mouth, way, 0.0, spec.depth_mm)?,
            Towards::Turned(angle) => {
                if !angle.is_finite() {
                    return Err(DartError::BadNumber {
                        name,
                        what: "turn",
                        value: angle,
                    });
                }
                self.straight(name, &mouth, way, angle, spec.depth_mm)?
            }
            Towards::Crown if self.crown.1 > REACH_MM => {
                // The crown is not on this base: towards it all the same.
                let heading = self.patch.head.crown - mouth.position;
                self.trace(name, mouth.point, heading, spec.depth_mm)?
            }
            Towards::Crown => self.towards(name, mouth.point, self.crown.0, spec.depth_mm)?,
            Towards::Point(place) => {
                let target = self.on_patch(name, place)?;
                self.towards(name, mouth.point, target, spec.depth_mm)?
            }
        };
        Ok((mouth, path))
    }

    /// Where a dart starts, and whether + along its edge runs with the surface on the left.
    pub(super) fn mouth(
        &self,
        name: CutName,
        spec: &DartSpec,
    ) -> Result<(EdgePlace, f64), DartError> {
        let (start, way) = self.anchor(spec.from).ok_or_else(|| {
            let opening = match spec.from {
                Anchor::Opening(k) => k,
                _ => 0,
            };
            DartError::NoOpening { name, opening }
        })?;
        let edge = self.edge(start.opening);
        if spec.along_mm.abs() > edge.length_mm {
            return Err(DartError::MouthBeyondEdge {
                name,
                along_mm: spec.along_mm,
                edge_mm: edge.length_mm,
            });
        }
        let mouth = self
            .patch
            .place(edge, start.opening, start.run_mm + way * spec.along_mm);
        Ok((mouth, way))
    }

    fn on_patch(&self, name: CutName, place: Point3) -> Result<SurfacePoint, DartError> {
        let off = |distance_mm| DartError::PointOff {
            name,
            place,
            distance_mm,
            allowed_mm: REACH_MM,
        };
        if !place.coords.iter().all(|c| c.is_finite()) {
            return Err(off(f64::NAN));
        }
        let (point, _, distance) = self.patch.mesh.project(place);
        if distance > REACH_MM {
            return Err(off(distance));
        }
        Ok(point)
    }

    /// Straight inward from a mouth, turned by an angle towards + along the edge.
    fn straight(
        &self,
        name: CutName,
        mouth: &EdgePlace,
        way: f64,
        angle: f64,
        depth: f64,
    ) -> Result<SurfacePath, DartError> {
        let (inward, along) = self.square(mouth);
        let heading = inward * angle.cos() + along * (way * angle.sin());
        self.trace(name, mouth.point, heading, depth)
    }

    /// Directions on the surface at a mouth: square to the edge and inward, and along the edge with the
    /// surface on the left.
    fn square(&self, mouth: &EdgePlace) -> (Vector3, Vector3) {
        let mesh = &self.patch.mesh;
        let edge = self.edge(mouth.opening);
        let (before, after) = (
            edge.at(mesh, mouth.run_mm - CHORD_MM).1,
            edge.at(mesh, mouth.run_mm + CHORD_MM).1,
        );
        let normal = normal_at(mesh, mouth.point);
        let chord: Vector3 = after - before;
        let along = (chord - normal * chord.dot(&normal))
            .try_normalize(0.0)
            .unwrap_or_else(Vector3::zeros);
        (normal.cross(&along), along)
    }

    /// Turn and depth that bring a dart's point to a place on or near the base: `None` when no line
    /// leads there.
    pub(super) fn aimed(&self, spec: &DartSpec, place: Point3) -> Option<(f64, f64)> {
        let mesh = &self.patch.mesh;
        let (mouth, way) = self.mouth(CutName::Dart(0), spec).ok()?;
        let (target, _, _) = mesh.project(place);
        let path = shortest(mesh, mouth.point, target).ok()?;
        let heading = path.points.get(1)?.position(mesh) - mouth.position;
        let (inward, along) = self.square(&mouth);
        let turn = (way * heading.dot(&along)).atan2(heading.dot(&inward));
        Some((turn, path.length))
    }

    fn trace(
        &self,
        name: CutName,
        from: SurfacePoint,
        heading: Vector3,
        length: f64,
    ) -> Result<SurfacePath, DartError> {
        let mesh = &self.patch.mesh;
        straightest(mesh, from, heading, length).map_err(|error| match error {
            GeodesicError::LeavesSurface {
                place,
                run_mm,
                wanted_mm,
            } => DartError::LeavesPatch {
                name,
                place,
                run_mm,
                wanted_mm,
            },
            GeodesicError::NoWayIn { place } => DartError::LeavesPatch {
                name,
                place,
                run_mm: 0.0,
                wanted_mm: length,
            },
            source @ (GeodesicError::Apart { .. } | GeodesicError::Caught { .. }) => {
                DartError::Geodesic { name, source }
            }
        })
    }

    /// Along the shortest line to a target, and straight on where the depth goes beyond it.
    fn towards(
        &self,
        name: CutName,
        from: SurfacePoint,
        target: SurfacePoint,
        depth: f64,
    ) -> Result<SurfacePath, DartError> {
        let mesh = &self.patch.mesh;
        let path =
            shortest(mesh, from, target).map_err(|source| DartError::Geodesic { name, source })?;
        if path.length >= depth {
            return Ok(path.shortened(mesh, depth));
        }
        let n = path.points.len();
        let before = path.points[n.saturating_sub(2)].position(mesh);
        let heading = target.position(mesh) - before;
        let rest = self
            .trace(name, target, heading, depth - path.length)
            .map_err(|error| match error {
                DartError::LeavesPatch {
                    name,
                    place,
                    run_mm,
                    ..
                } => DartError::LeavesPatch {
                    name,
                    place,
                    run_mm: run_mm + path.length,
                    wanted_mm: depth,
                },
                other => other,
            })?;
        let mut points = path.points;
        points.extend(&rest.points[1..]);
        Ok(SurfacePath::new(mesh, points))
    }

    /// Line of a seam; `number` names it in errors.
    ///
    /// # Errors
    /// [`DartError`] for ends away from every edge and points off the patch.
    pub fn seam_path(&self, number: usize, spec: &SeamSpec) -> Result<SurfacePath, DartError> {
        let name = CutName::Seam(number);
        let mesh = &self.patch.mesh;
        let count = spec.through.len();
        if count < 2 {
            return Err(DartError::SeamTooShort { name, count });
        }
        let mut stations = Vec::with_capacity(count);
        for (k, &place) in spec.through.iter().enumerate() {
            stations.push(if k == 0 || k + 1 == count {
                self.on_edge(name, place)?
            } else {
                self.on_patch(name, place)?
            });
        }
        // A seam through two points is a shortest line; through more, a smooth one.
        let fine = if count > 2 {
            smooth_through(mesh, stations, false)
        } else {
            stations
        };
        let mut points = vec![fine[0]];
        for w in fine.windows(2) {
            let path = shortest(mesh, w[0], w[1])
                .map_err(|source| DartError::Geodesic { name, source })?;
            points.extend(&path.points[1..]);
        }
        Ok(SurfacePath::new(mesh, points))
    }

    /// The place on an edge nearest to a seam's end.
    fn on_edge(&self, name: CutName, place: Point3) -> Result<SurfacePoint, DartError> {
        let mesh = &self.patch.mesh;
        let mut best = (f64::INFINITY, SurfacePoint::Vertex(0));
        for edge in self.edges() {
            let (run, gap) = edge.nearest(mesh, place);
            if gap < best.0 {
                best = (gap, edge.at(mesh, run).0);
            }
        }
        // Written so that a place that is not a number is refused too.
        if best.0 <= REACH_MM {
            Ok(best.1)
        } else {
            Err(DartError::SeamEndOff {
                name,
                place,
                distance_mm: best.0,
            })
        }
    }

    /// Darts evenly spread along the perimeter behind the front hairline, in mirror pairs about the
    /// nape (an odd one in the middle of it), each running towards the crown.
    ///
    /// They stop 50 mm short of the crown, and 15 mm short of openings and keep-clear places
    /// (common practice, no source); where the crown is not on the base they run two thirds of the
    /// way to the middle of the piece. Both of a pair get the depth that the side with less room has; pairs
    /// that would be shorter than 15 mm are left out, so fewer than `n` may come back.
    #[must_use]
    pub fn even(&self, n: usize) -> Layout {
        let mut layout = Layout {
            name: format!("even:{n}"),
            ..Layout::default()
        };
        let Some((nape, _)) = self.anchor(Anchor::Nape) else {
            return layout;
        };
        let half = self.half_behind_front(nape.run_mm);
        let crown_on = self.crown.1 <= REACH_MM;
        let target = if crown_on {
            self.crown.0
        } else {
            self.patch.mesh.project(self.middle()).0
        };
        let towards = if crown_on {
            Towards::Crown
        } else {
            Towards::Point(target.position(&self.patch.mesh))
        };
        let step = 2.0 * half / n as f64;
        let dart = |along_mm, depth_mm| DartSpec {
            from: Anchor::Nape,
            along_mm,
            depth_mm,
            towards,
        };
        let depth_at = |along_mm: f64| {
            let mouth = self
                .patch
                .place(&self.perimeter, None, nape.run_mm - along_mm);
            let path = shortest(&self.patch.mesh, mouth.point, target).ok()?;
            let free = if crown_on {
                path.length - FROM_CROWN_MM
            } else {
                path.length * 2.0 / 3.0
            };
            let depth_mm = free.min(self.clear_run(&path));
            // Where the perimeter bends away, the shortest line hugs it and can't be sewn.
            (depth_mm >= LEAST_DEPTH_MM && self.runs_inside(&dart(along_mm, depth_mm)))
                .then_some(depth_mm)
        };
        if n % 2 == 1 {
            layout
                .darts
                .extend(depth_at(0.0).map(|depth_mm| dart(0.0, depth_mm)));
        }
        for pair in 0..n / 2 {
            let wanted = step * (pair as f64 + if n % 2 == 1 { 1.0 } else { 0.5 });
            // Left and right alike: what one side has no room for, neither gets.
            let found = ASIDE_MM.iter().find_map(|aside| {
                let along_mm = wanted + aside;
                let depth_mm = depth_at(-along_mm)?.min(depth_at(along_mm)?);
                Some((along_mm, depth_mm))
            });
            if let Some((along_mm, depth_mm)) = found {
                layout.darts.insert(0, dart(-along_mm, depth_mm));
                layout.darts.push(dart(along_mm, depth_mm));
            }
        }
        layout
    }

    /// Whether a dart can be cut and sewn as far as edges and places to leave alone are concerned.
    fn runs_inside(&self, spec: &DartSpec) -> bool {
        let mesh = &self.patch.mesh;
        let Ok((mouth, path)) = self.dart_path(0, spec) else {
            return false;
        };
        let keeps_off = |point: &SurfacePoint| {
            let place = point.position(mesh);
            let from_mouth = (place - mouth.position).norm();
            let wanted = (LEAST_SLANT * from_mouth).min(POINT_TO_EDGE_MM);
            let mut edges = self.edges();
            edges.all(|edge| edge.nearest(mesh, place).1 >= wanted)
        };
        path.points.iter().all(keeps_off) && self.keep_clear(CutName::Dart(0), &path).is_ok()
    }

    /// Perimeter from the nape to the nearer end of the front hairline, mm.
    fn half_behind_front(&self, nape_run: f64) -> f64 {
        let front = |k: usize| self.patch.zones[k] == crate::patch::Zone::Front;
        let length = self.perimeter.length_mm;
        let count = self.perimeter.vertices.len();
        let mut half = 0.5 * length;
        for k in (0..count).filter(|&k| front(k) != front((k + 1) % count)) {
            let run = self.perimeter.run_mm[(k + 1) % count];
            let gap = (run - nape_run).rem_euclid(length);
            half = half.min(gap.min(length - gap));
        }
        half
    }

    /// Mean of the patch's surface.
    fn middle(&self) -> Point3 {
        let mesh = &self.patch.mesh;
        let (mut sum, mut whole) = (Vector3::zeros(), 0.0);
        for face in 0..crate::mesh::index(mesh.face_count()) {
            let [a, b, c] = mesh.corners(face);
            let area = mesh.face_area(face);
            sum += (a.coords + b.coords + c.coords) * (area / 3.0);
            whole += area;
        }
        Point3::from(sum / whole)
    }

    /// How far a line runs before it comes near an opening or a keep-clear place.
    fn clear_run(&self, path: &SurfacePath) -> f64 {
        let mesh = &self.patch.mesh;
        let near_opening = |at: Point3| {
            let mut openings = self.openings.iter();
            openings.any(|edge| edge.nearest(mesh, at).1 < FROM_OPENING_MM)
        };
        let near_keep_clear = |at: Point3| {
            let mut zones = self.patch.keep_clear.iter();
            zones.any(|zone| (at - zone.centre).norm() < zone.radius_mm + FROM_OPENING_MM)
        };
        let near = |at: Point3| near_opening(at) || near_keep_clear(at);
        let mut run = 0.0;
        let mut last = path.points[0].position(mesh);
        for point in &path.points {
            let next = point.position(mesh);
            // Long steps over large faces are looked at every few millimetres.
            let steps = ((next - last).norm() / 2.0).ceil().max(1.0);
            let whole: Vector3 = next - last;
            let mut i = 1.0;
            while i <= steps {
                if near(last + whole * (i / steps)) {
                    // To the place itself: where the line crosses triangles differs by a hair on a head that
                    // is turned, and the depth would with it by a whole step.
                    let (mut clear, mut shut) = ((i - 1.0) / steps, i / steps);
                    for _ in 0..HALVINGS {
                        let middle = 0.5 * (clear + shut);
                        if near(last + whole * middle) {
                            shut = middle;
                        } else {
                            clear = middle;
                        }
                    }
                    return run + whole.norm() * clear;
                }
                i += 1.0;
            }
            run += whole.norm();
            last = next;
        }
        run
    }
}
