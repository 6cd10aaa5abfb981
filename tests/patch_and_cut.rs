//! From outlines to patches, and from layouts to panels: closed forms, laws and refusals.

use std::f64::consts::{PI, TAU};

use flatten::{
    Point3, Vector3,
    dart::{
        Anchor, CutName, CutPatch, Cutter, DartError, DartSpec, EdgeKind, Layout, SeamSpec, Side,
        Towards, cut, even,
    },
    mesh::{Line, TriMesh, imprint, shortest},
    patch::{Drawn, Head, KeepClear, Outline, Patch, PatchError, Zone},
};

type Plain = (Vec<[f64; 3]>, Vec<[u32; 3]>);

fn tri((positions, faces): Plain) -> TriMesh {
    TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces)
        .expect("fixtures are surfaces")
}

fn ring(count: usize, at: impl Fn(f64) -> [f64; 3]) -> Vec<Point3> {
    (0..count)
        .map(|i| Point3::from(at(TAU * i as f64 / count as f64)))
        .collect()
}

/// Circle of a sphere at `angle` from the top.
fn circle(radius: f64, angle: f64, count: usize) -> Vec<Point3> {
    let (sin, cos) = angle.sin_cos();
    ring(count, |a| {
        [radius * sin * a.cos(), radius * sin * a.sin(), radius * cos]
    })
}

/// A round opening on the surface `onto` (scaled from the origin), centred in direction `centre`.
fn round_opening(
    centre: [f64; 3],
    opening_rad: f64,
    semi_axes: [f64; 3],
    count: usize,
) -> Vec<Point3> {
    let c = Vector3::from(centre).normalize();
    let u = c.cross(&Vector3::new(0.3, 0.2, 0.9)).normalize();
    let v = c.cross(&u);
    ring(count, |a| {
        let d = c * opening_rad.cos() + (u * a.cos() + v * a.sin()) * opening_rad.sin();
        [d.x * semi_axes[0], d.y * semi_axes[1], d.z * semi_axes[2]]
    })
}

const HEAD: [f64; 3] = [77.0, 100.0, 105.0];

/// A point of the upper half of `fixtures::head` in direction (bearing from front to the client's
/// left, elevation).
fn on_head(bearing: f64, elevation: f64) -> Point3 {
    let (x, y, z) = (
        -bearing.sin() * elevation.cos(),
        bearing.cos() * elevation.cos(),
        elevation.sin(),
    );
    Point3::new(HEAD[0] * x, HEAD[1] * y, HEAD[2] * z)
}

/// Invented landmarks on `fixtures::head`: front a little up, the rest on its widest girth.
fn landmarks(mold: &TriMesh) -> Result<Head, PatchError> {
    Head::from_landmarks(
        on_head(0.0, 0.3),
        on_head(PI, 0.0),
        on_head(PI / 2.0, 0.0),
        on_head(-PI / 2.0, 0.0),
        None,
        mold,
    )
}

fn full_base(count: usize) -> Vec<Point3> {
    ring(count, |a| on_head(a, 0.15 * (1.0 + a.cos())).into())
}

fn outline(perimeter: Vec<Point3>, openings: Vec<Vec<Point3>>) -> Outline {
    Outline {
        perimeter,
        openings,
    }
}

/// Turning of the boundary, radians: with the curvature inside it makes 2πχ (Gauss–Bonnet).
fn boundary_turning(mesh: &TriMesh) -> f64 {
    let sums = mesh.angle_sums();
    (0..mesh.vertex_count() as u32)
        .filter(|&v| mesh.on_boundary(v))
        .map(|v| PI - sums[v as usize])
        .sum()
}

fn assert_sound(patch: &Patch, euler: i64) {
    let mesh = &patch.mesh;
    assert_eq!(mesh.euler_characteristic(), euler);
    let sum = mesh.total_curvature() + boundary_turning(mesh);
    assert!(
        (sum - TAU * euler as f64).abs() < 1e-8,
        "Gauss–Bonnet: {sum}"
    );
    assert_eq!(patch.zones.len(), patch.perimeter.len());
    assert_eq!(mesh.boundary_loops().len(), 1 + patch.openings.len());
    for r in std::iter::once(&patch.perimeter).chain(&patch.openings) {
        for (k, &v) in r.iter().enumerate() {
            assert_eq!(mesh.head(mesh.outgoing(v)), r[(k + 1) % r.len()]);
        }
    }
}

#[test]
fn a_cap_has_the_area_and_curvature_of_the_sphere_in_the_limit() {
    // Archimedes: area 2πR²(1 − cos α); curvature the same over R².
    let (r, alpha) = (90.0, PI / 3.0);
    let mut errors = Vec::new();
    for level in [3, 4, 5] {
        let mold = tri(fixtures::icosphere(r, level));
        let at = |a: f64| {
            Point3::new(
                r * alpha.sin() * a.sin(),
                r * alpha.sin() * a.cos(),
                r * alpha.cos(),
            )
        };
        let head = Head::from_landmarks(at(0.0), at(PI), at(-PI / 2.0), at(PI / 2.0), None, &mold)
            .unwrap();
        assert!((head.crown - Point3::new(0.0, 0.0, r)).norm() < 1.0);
        let patch =
            Patch::cut(&mold, head, &outline(circle(r, alpha, 400), vec![]), vec![]).unwrap();
        assert_sound(&patch, 1);
        let area = TAU * r * r * (1.0 - alpha.cos());
        let curvature = patch.mesh.total_curvature();
        errors.push((patch.mesh.area() / area - 1.0).abs());
        assert!(
            (curvature - PI).abs() < 0.12 / f64::from(level),
            "{curvature}"
        );
    }
    assert!(errors.windows(2).all(|e| e[1] < 0.35 * e[0]), "{errors:?}");
    assert!(errors[2] < 1e-3, "{errors:?}");
}

#[test]
fn half_an_ellipsoid_has_two_pi_of_curvature_and_the_quadrature_area() {
    // The cut through a symmetry plane is a geodesic, so all of Gauss–Bonnet lies inside. Area of
    // the half with semi-axes 77, 100, 105 mm by quadrature: 55 373.24 mm².
    // On a mesh the curvature of the vertices on the cut itself counts half, a belt as wide as an
    // edge, so the sum inside converges with the edge length.
    let mut short_of = Vec::new();
    for level in [4, 5, 6] {
        let mold = tri(fixtures::ellipsoid(HEAD, level));
        let head = landmarks(&mold).unwrap();
        let girth = ring(360, |a| on_head(a, 0.0).into());
        let patch = Patch::cut(&mold, head, &outline(girth, vec![]), vec![]).unwrap();
        assert_sound(&patch, 1);
        short_of.push((patch.mesh.total_curvature() - TAU).abs());
        if level == 6 {
            let area = patch.mesh.area();
            assert!((area / 55_373.24 - 1.0).abs() < 1e-3, "{area}");
            // Girth of that ellipse: 558.4117 mm by complete elliptic integral.
            let length = patch.perimeter_edge().length_mm;
            assert!((length - 558.4117).abs() < 0.5, "{length}");
        }
    }
    assert!(
        short_of.windows(2).all(|e| e[1] < 0.6 * e[0]),
        "{short_of:?}"
    );
    assert!(short_of[2] < 0.05, "{short_of:?}");
}

#[test]
fn what_is_kept_and_what_is_left_add_up_to_the_mold() {
    let mold = tri(fixtures::head(5));
    let head = landmarks(&mold).unwrap();
    let opening = round_opening([-0.4, 0.3, 0.8], 0.2, HEAD, 24);
    let whole = Patch::cut(&mold, head, &outline(full_base(200), vec![]), vec![]).unwrap();
    let pierced = Patch::cut(&mold, head, &outline(full_base(200), vec![opening]), vec![]).unwrap();
    assert_sound(&whole, 1);
    assert_sound(&pierced, 0);
    // Face by face: what no line touched is there whole or not at all, and the touched faces hold
    // what the base and the rest share.
    let disc = PI * (0.2_f64 * 90.0).powi(2);
    assert!(((whole.mesh.area() - pierced.mesh.area()) / disc - 1.0).abs() < 0.3);
    for patch in [&whole, &pierced] {
        let mut kept = vec![0.0; mold.face_count()];
        for (f, &source) in patch.face_source.iter().enumerate() {
            kept[source as usize] += patch.mesh.face_area(f as u32);
        }
        let parted = (0..mold.face_count())
            .filter(|&f| {
                let whole = mold.face_area(f as u32);
                assert!(kept[f] <= whole * (1.0 + 1e-9));
                kept[f] > 0.0 && kept[f] < whole * (1.0 - 1e-9)
            })
            .count();
        assert!(parted > 50 && parted < mold.face_count() / 10, "{parted}");
    }
}

/// The base and what is left of the mold, from the same lines, to 1e-9.
#[test]
fn the_lines_move_no_surface() {
    let mold = tri(fixtures::head(5));
    let mut points = Vec::new();
    let perimeter = full_base(80);
    for (k, &p) in perimeter.iter().enumerate() {
        let q = perimeter[(k + 1) % perimeter.len()];
        let path = shortest(&mold, mold.project(p).0, mold.project(q).0).unwrap();
        points.extend(&path.points[..path.points.len() - 1]);
    }
    let drawn = imprint(
        &mold,
        &[Line {
            points,
            closed: true,
        }],
    )
    .unwrap();
    assert!((drawn.mesh.area() / mold.area() - 1.0).abs() < 1e-12);
}

#[test]
fn either_way_round_gives_the_same_base() {
    let mold = tri(fixtures::head(4));
    let head = landmarks(&mold).unwrap();
    let there = full_base(24);
    let mut back = there.clone();
    back.reverse();
    let a = Patch::cut(&mold, head, &outline(there, vec![]), vec![]).unwrap();
    let b = Patch::cut(&mold, head, &outline(back, vec![]), vec![]).unwrap();
    assert!((a.mesh.area() / b.mesh.area() - 1.0).abs() < 1e-4);
    // Front, then the client's left, then the nape, then the right.
    for p in [&a, &b] {
        let mut order: Vec<Zone> = p.zones.clone();
        order.dedup();
        assert_eq!(
            order,
            [
                Zone::Front,
                Zone::Left,
                Zone::Nape,
                Zone::Right,
                Zone::Front
            ]
        );
        let left = p.zones.iter().position(|&z| z == Zone::Left).unwrap();
        assert!(p.mesh.position(p.perimeter[left]).x < 0.0);
    }
}

#[test]
fn an_opening_on_the_clients_left_stays_on_the_left() {
    let mold = tri(fixtures::head(5));
    let head = landmarks(&mold).unwrap();
    let opening = round_opening([-0.5, 0.2, 0.8], 0.2, HEAD, 24);
    let patch = Patch::cut(&mold, head, &outline(full_base(60), vec![opening]), vec![]).unwrap();
    let edge = &patch.openings[0];
    assert!(
        edge.iter()
            .all(|&v| head.in_axes(patch.mesh.position(v))[0] < -5.0)
    );
    assert_eq!(patch.opening_number(0), 0);
}

#[test]
fn an_opening_that_reaches_the_front_becomes_part_of_the_perimeter() {
    let mold = tri(fixtures::head(5));
    let head = landmarks(&mold).unwrap();
    // Half-way over the front hairline: a U open to the forehead.
    let opening = round_opening([0.0, 0.9, 0.45], 0.25, HEAD, 30);
    let plain = Patch::cut(&mold, head, &outline(full_base(60), vec![]), vec![]).unwrap();
    let patch = Patch::cut(&mold, head, &outline(full_base(60), vec![opening]), vec![]).unwrap();
    assert_sound(&patch, 1);
    assert!(patch.openings.is_empty());
    let round_u = (0..patch.perimeter.len())
        .filter(|&k| patch.opening_along(k) == Some(0))
        .count();
    assert!(round_u > 10 && round_u < patch.perimeter.len() / 2);
    assert!(patch.perimeter_edge().length_mm > plain.perimeter_edge().length_mm + 10.0);
    let in_front = (0..patch.perimeter.len())
        .filter(|&k| patch.opening_along(k) == Some(0))
        .all(|k| patch.zones[k] == Zone::Front);
    assert!(in_front);
}

#[test]
fn a_partial_piece_keeps_what_its_perimeter_encloses() {
    let mold = tri(fixtures::head(5));
    let head = landmarks(&mold).unwrap();
    // In front of the crown, which stays bare.
    let front = round_opening([0.0, 0.7, 0.7], 0.4, HEAD, 60);
    let piece = Patch::cut(&mold, head, &outline(front, vec![]), vec![]).unwrap();
    assert_sound(&piece, 1);
    assert!(piece.mesh.area() < 0.1 * mold.area());
    for zone in [Zone::Front, Zone::Left, Zone::Nape, Zone::Right] {
        assert!(piece.zones.contains(&zone), "{zone:?}");
    }
    // On the crown.
    let top = round_opening([0.0, 0.0, 1.0], 0.5, HEAD, 60);
    let piece = Patch::cut(&mold, head, &outline(top, vec![]), vec![]).unwrap();
    assert!(piece.mesh.area() < 0.15 * mold.area());
    assert!(piece.crown_vertex().1 < 4.0);
}

#[test]
fn an_open_shell_is_cut_as_a_whole_head_is() {
    let whole = fixtures::head(5);
    let shell = tri(fixtures::above(&whole, -25.0));
    let whole = tri(whole);
    let patch = |mold: &TriMesh| {
        Patch::cut(
            mold,
            landmarks(mold).unwrap(),
            &outline(full_base(60), vec![]),
            vec![],
        )
        .unwrap()
    };
    let (a, b) = (patch(&shell), patch(&whole));
    assert_sound(&a, 1);
    assert!((a.mesh.area() / b.mesh.area() - 1.0).abs() < 1e-9);
}

#[test]
fn a_perimeter_on_the_shells_own_rim_is_cut() {
    let (positions, faces) = fixtures::above(&fixtures::head(5), 0.0);
    let shell = tri((positions, faces));
    let rim: Vec<Point3> = shell.boundary_loops()[0]
        .iter()
        .map(|&v| shell.position(v))
        .collect();
    let patch = Patch::cut(
        &shell,
        landmarks(&shell).unwrap(),
        &outline(rim, vec![]),
        vec![],
    )
    .unwrap();
    assert_sound(&patch, 1);
    assert!((patch.mesh.area() / shell.area() - 1.0).abs() < 1e-12);
}

#[test]
fn swapped_ears_and_mirrored_scans_are_refused() {
    for mold in [
        fixtures::head(4),
        fixtures::above(&fixtures::head(4), -30.0),
    ] {
        let mold = tri(mold);
        assert!(landmarks(&mold).is_ok());
        let swapped = Head::from_landmarks(
            on_head(0.0, 0.3),
            on_head(PI, 0.0),
            on_head(-PI / 2.0, 0.0),
            on_head(PI / 2.0, 0.0),
            None,
            &mold,
        );
        assert_eq!(swapped, Err(PatchError::Mirrored));
        // Told by the crown alone, too.
        let crown = Some(on_head(0.0, 1.5));
        let swapped = Head::from_landmarks(
            on_head(0.0, 0.3),
            on_head(PI, 0.0),
            on_head(-PI / 2.0, 0.0),
            on_head(PI / 2.0, 0.0),
            crown,
            &mold,
        );
        assert_eq!(swapped, Err(PatchError::Mirrored));
    }
    // The scan mirrored, its landmarks with it.
    let (positions, faces) = fixtures::head(4);
    let mirrored = tri((
        positions.into_iter().map(|p| [-p[0], p[1], p[2]]).collect(),
        faces.into_iter().map(|f| [f[0], f[2], f[1]]).collect(),
    ));
    let m = |p: Point3| Point3::new(-p.x, p.y, p.z);
    let refused = Head::from_landmarks(
        m(on_head(0.0, 0.3)),
        m(on_head(PI, 0.0)),
        m(on_head(PI / 2.0, 0.0)),
        m(on_head(-PI / 2.0, 0.0)),
        None,
        &mirrored,
    );
    assert_eq!(refused, Err(PatchError::Mirrored));
}

#[test]
fn what_cannot_be_cut_is_refused_with_its_place() {
    let mold = tri(fixtures::head(4));
    let head = landmarks(&mold).unwrap();
    let cut = |perimeter, openings| Patch::cut(&mold, head, &outline(perimeter, openings), vec![]);

    let mut points = full_base(40);
    points.swap(10, 20);
    assert!(matches!(
        cut(points, vec![]),
        Err(PatchError::CrossesItself {
            line: Drawn::Perimeter,
            ..
        })
    ));

    let mut points = full_base(40);
    points[6] = Point3::from(points[6].coords * 1.3);
    assert!(matches!(
        cut(points, vec![]),
        Err(PatchError::PointOff { line: Drawn::Perimeter, point: 7, distance_mm }) if distance_mm > 10.0
    ));
    let mut points = full_base(40);
    points[6].x = f64::NAN;
    assert!(matches!(
        cut(points, vec![]),
        Err(PatchError::PointOff { point: 7, .. })
    ));
    assert!(matches!(
        cut(full_base(2), vec![]),
        Err(PatchError::TooFewPoints { count: 2, .. })
    ));

    let a = round_opening([0.2, 0.2, 0.9], 0.2, HEAD, 24);
    let b = round_opening([-0.05, 0.2, 0.9], 0.2, HEAD, 24);
    assert!(matches!(
        cut(full_base(40), vec![a.clone(), b]),
        Err(PatchError::OpeningsCross {
            first: 0,
            second: 1,
            ..
        })
    ));
    let inner = round_opening([0.2, 0.2, 0.9], 0.1, HEAD, 24);
    assert!(matches!(
        cut(full_base(40), vec![a, inner]),
        Err(PatchError::OpeningInOpening {
            first: 0,
            second: 1
        })
    ));
    let face = ring(24, |a| [12.0 * a.cos(), 95.0, -40.0 + 12.0 * a.sin()]);
    assert!(matches!(
        cut(full_base(40), vec![face]),
        Err(PatchError::OpeningOutside { opening: 0 })
    ));

    let far = Head::from_landmarks(
        on_head(0.0, 0.3),
        Point3::new(0.0, -120.0, 0.0),
        on_head(PI / 2.0, 0.0),
        on_head(-PI / 2.0, 0.0),
        None,
        &mold,
    );
    assert!(matches!(
        far,
        Err(PatchError::LandmarkOff { name: "nape", .. })
    ));
}

#[test]
fn a_hole_of_the_scan_inside_the_base_is_refused_and_inside_an_opening_is_not() {
    let (positions, faces) = fixtures::head(5);
    let spot = Vector3::new(-0.4, 0.3, 0.8)
        .normalize()
        .component_mul(&Vector3::from(HEAD));
    let faces = faces
        .into_iter()
        .filter(|f| {
            f.iter()
                .any(|&v| (Vector3::from(positions[v as usize]) - spot).norm() > 7.0)
        })
        .collect();
    let mold = tri((positions.clone(), faces));
    let head = landmarks(&mold).unwrap();
    let holed = Patch::cut(&mold, head, &outline(full_base(60), vec![]), vec![]);
    assert!(
        matches!(holed, Err(PatchError::HoleInside { place, .. }) if (place.coords - spot).norm() < 15.0)
    );
    let opening = round_opening([-0.4, 0.3, 0.8], 0.25, HEAD, 24);
    let round = Patch::cut(&mold, head, &outline(full_base(60), vec![opening]), vec![]).unwrap();
    assert_sound(&round, 0);
}

#[test]
fn sparse_readings_are_joined_smoothly_and_corners_kept() {
    let mold = tri(fixtures::head(5));
    let head = landmarks(&mold).unwrap();
    let cut = |points| Patch::cut(&mold, head, &outline(points, vec![]), vec![]).unwrap();
    let (fine, sparse) = (cut(full_base(400)), cut(full_base(16)));
    let ratio = sparse.mesh.area() / fine.mesh.area();
    assert!((ratio - 1.0).abs() < 2e-3, "{ratio}");
    let lengths = sparse.perimeter_edge().length_mm / fine.perimeter_edge().length_mm;
    assert!((lengths - 1.0).abs() < 2e-3, "{lengths}");
}

#[test]
fn a_base_set_off_lies_that_far_out_everywhere() {
    let patch = base(4, Vec::new(), Vec::new());
    let area = patch.mesh.area();
    let out = patch.clone().set_off(3.0).unwrap();
    let middle = Point3::from(
        patch
            .mesh
            .positions()
            .iter()
            .map(|p| p.coords)
            .sum::<Vector3>()
            / patch.mesh.vertex_count() as f64,
    );
    for (before, after) in patch.mesh.positions().iter().zip(out.mesh.positions()) {
        let moved = after - before;
        assert!((moved.norm() - 3.0).abs() < 1e-9);
        assert!(moved.dot(&(before - middle)) > 0.0);
    }
    assert_eq!(out.perimeter, patch.perimeter);
    // A convex surface grows outward, by 2 d / R on a sphere (Steiner's formula without its d² term).
    let grown = out.mesh.area() / area - 1.0;
    let radius = (area / (2.0 * std::f64::consts::PI)).sqrt();
    assert!((0.5..2.0).contains(&(grown / (6.0 / radius))), "{grown}");
    let back = out.set_off(-3.0).unwrap();
    for (before, after) in patch.mesh.positions().iter().zip(back.mesh.positions()) {
        assert!((after - before).norm() < 0.3);
    }
    assert!(patch.set_off(f64::NAN).is_err());
}

// Darts and seams.

fn base(level: u32, openings: Vec<Vec<Point3>>, keep_clear: Vec<KeepClear>) -> Patch {
    base_on(fixtures::head(level), openings, keep_clear)
}

fn base_on(mold: Plain, openings: Vec<Vec<Point3>>, keep_clear: Vec<KeepClear>) -> Patch {
    let mold = tri(mold);
    let head = landmarks(&mold).expect("invented landmarks lie on the head");
    Patch::cut(&mold, head, &outline(full_base(120), openings), keep_clear).expect("a full base")
}

fn dart(from: Anchor, along_mm: f64, depth_mm: f64, towards: Towards) -> DartSpec {
    DartSpec {
        from,
        along_mm,
        depth_mm,
        towards,
    }
}

fn darts(darts: Vec<DartSpec>) -> Layout {
    Layout {
        name: "test".to_owned(),
        darts,
        seams: vec![],
    }
}

/// Laws that hold for every cut: areas add up, legs are copies, Gauss–Bonnet in every panel, every
/// boundary edge has its kind.
fn assert_cut(patch: &Patch, cut: &CutPatch) {
    let area: f64 = cut.panels.iter().map(|p| p.mesh.area()).sum();
    assert!((area / patch.mesh.area() - 1.0).abs() < 1e-9);
    assert!((cut.mesh.area() / patch.mesh.area() - 1.0).abs() < 1e-9);
    for panel in &cut.panels {
        let euler = panel.mesh.euler_characteristic();
        assert_eq!(euler, 2 - panel.loops.len() as i64);
        let sum = panel.mesh.total_curvature() + boundary_turning(&panel.mesh);
        assert!((sum - TAU * euler as f64).abs() < 1e-7, "{sum}");
        assert_eq!(panel.origin.len(), panel.mesh.vertex_count());
        for (v, &o) in panel.origin.iter().enumerate() {
            assert_eq!(panel.mesh.position(v as u32), cut.mesh.position(o));
        }
        for l in &panel.loops {
            assert_eq!(l.kinds.len(), l.vertices.len());
        }
    }
    // Each leg runs over the path's own vertices: left legs inward, right legs outward.
    let sides = |want: EdgeKind| -> Vec<[u32; 2]> {
        let mut edges = Vec::new();
        for panel in &cut.panels {
            for l in &panel.loops {
                for (k, &kind) in l.kinds.iter().enumerate() {
                    if kind == want {
                        let next = l.vertices[(k + 1) % l.vertices.len()];
                        edges.push([l.vertices[k], next].map(|v| panel.origin[v as usize]));
                    }
                }
            }
        }
        edges.sort_unstable();
        edges
    };
    let cuts = cut.darts.iter().enumerate().map(|(k, c)| {
        (
            c,
            EdgeKind::Dart(k, Side::Left),
            EdgeKind::Dart(k, Side::Right),
        )
    });
    let seams = cut.seams.iter().enumerate().map(|(k, c)| {
        (
            c,
            EdgeKind::Seam(k, Side::Left),
            EdgeKind::Seam(k, Side::Right),
        )
    });
    for (line, left, right) in cuts.chain(seams) {
        let mut there: Vec<[u32; 2]> = line.path.windows(2).map(|w| [w[0], w[1]]).collect();
        let mut back: Vec<[u32; 2]> = line.path.windows(2).map(|w| [w[1], w[0]]).collect();
        there.sort_unstable();
        back.sort_unstable();
        assert_eq!(sides(left), there);
        assert_eq!(sides(right), back);
    }
    // The finished edge is all there.
    let edge: f64 = patch.perimeter_edge().length_mm
        + patch
            .opening_edges()
            .iter()
            .map(|e| e.length_mm)
            .sum::<f64>();
    let mut found = 0.0;
    for panel in &cut.panels {
        for l in &panel.loops {
            for (k, kind) in l.kinds.iter().enumerate() {
                if matches!(kind, EdgeKind::Perimeter(_) | EdgeKind::Opening(_)) {
                    let next = l.vertices[(k + 1) % l.vertices.len()];
                    found +=
                        (panel.mesh.position(next) - panel.mesh.position(l.vertices[k])).norm();
                }
            }
        }
    }
    assert!((found / edge - 1.0).abs() < 1e-9, "{found} {edge}");
}

#[test]
fn a_dart_lies_where_it_was_ordered_and_its_legs_are_one_line() {
    let patch = base(4, vec![], vec![]);
    let layout = darts(vec![dart(Anchor::Nape, 0.0, 90.0, Towards::Inward)]);
    let made = cut(&patch, &layout).unwrap();
    assert_cut(&patch, &made);
    let line = &made.darts[0];
    // The mouth and the point may be moved to a vertex by the snapping distance.
    assert!((line.length_mm - 90.0).abs() < 0.2, "{}", line.length_mm);
    let mouth = patch.point_along(Anchor::Nape, 0.0).unwrap();
    assert!((made.mesh.position(line.path[0]) - mouth.position).norm() < 0.06);
    let panel = &made.panels[0];
    assert_eq!(made.panels.len(), 1);
    // Looking from the nape inward is looking forward: the left leg borders on the client's left.
    for (k, kind) in panel.loops[0].kinds.iter().enumerate() {
        if let EdgeKind::Dart(0, side) = kind {
            let h = panel.mesh.outgoing(panel.loops[0].vertices[k]);
            let apex = panel.mesh.position(panel.mesh.apex(h));
            assert_eq!(
                apex.x < panel.mesh.position(panel.mesh.tail(h)).x,
                *side == Side::Left
            );
        }
    }
    // The end of the dart lies up the middle of the back.
    let point = made.mesh.position(*line.path.last().unwrap());
    assert!(
        point.x.abs() < 1.0 && point.y < 0.0 && point.z > 60.0,
        "{point}"
    );
}

#[test]
fn plus_runs_the_way_the_maker_counts() {
    let patch = base(4, vec![], vec![]);
    let at = |a, d| patch.point_along(a, d).unwrap().position;
    assert!(at(Anchor::Front, 20.0).x < -15.0);
    assert!(at(Anchor::Nape, 20.0).x < -15.0);
    assert!(at(Anchor::LeftEar, 20.0).y > at(Anchor::LeftEar, 0.0).y + 15.0);
    assert!(at(Anchor::RightEar, 20.0).y > at(Anchor::RightEar, 0.0).y + 15.0);
    // Exact arc positions: twice 30 mm is 60 mm.
    let edge = patch.perimeter_edge();
    let run = |d: f64| patch.point_along(Anchor::Front, d).unwrap().run_mm;
    assert!(((run(60.0) - run(30.0)).rem_euclid(edge.length_mm) - 30.0).abs() < 1e-9);
}

#[test]
fn a_turned_dart_leans_the_way_its_mouth_would_move() {
    let patch = base(4, vec![], vec![]);
    let cutter = Cutter::new(&patch);
    for from in [
        Anchor::Front,
        Anchor::Nape,
        Anchor::LeftEar,
        Anchor::RightEar,
    ] {
        let spec = |towards| dart(from, 10.0, 40.0, towards);
        let tip = |towards| {
            let (mouth, path) = cutter.dart_path(0, &spec(towards)).unwrap();
            assert!((path.length - 40.0).abs() < 1e-9);
            (
                mouth.position,
                path.points[path.points.len() - 1].position(&patch.mesh),
            )
        };
        let (mouth, straight) = tip(Towards::Inward);
        let (_, leaning) = tip(Towards::Turned(0.5));
        let onward = patch.point_along(from, 20.0).unwrap().position - mouth;
        assert!((leaning - straight).dot(&onward) > 0.0, "{from:?}");
        let (_, same) = tip(Towards::Turned(0.0));
        assert!((same - straight).norm() < 1e-9);
    }
}

#[test]
fn a_dart_may_begin_anywhere_along_the_edge() {
    // Where a mouth lies beside a vertex of the edge, the line's first points are moved onto that.
    let patch = base(5, vec![], vec![]);
    let cutter = Cutter::new(&patch);
    let mut beside = 0;
    for (k, &v) in patch.perimeter.iter().enumerate().step_by(3) {
        let run_mm = patch.perimeter_edge().run_mm[k];
        let (nape, way) = patch.anchor(Anchor::Nape).unwrap();
        for (aside_mm, turn) in [(0.003, 0.9), (-0.003, -0.9)] {
            let along_mm = way * (run_mm + aside_mm - nape.run_mm);
            let spec = dart(Anchor::Nape, along_mm, 20.0, Towards::Turned(turn));
            let Ok((mouth, path)) = cutter.dart_path(0, &spec) else {
                continue;
            };
            let second = path.points[1].position(&patch.mesh);
            beside += usize::from((second - patch.mesh.position(v)).norm() < 0.05);
            let made = cut(&patch, &darts(vec![spec])).expect("a short slanting dart can be cut");
            assert_cut(&patch, &made);
            let start = made.mesh.position(made.darts[0].path[0]);
            assert!((start - mouth.position).norm() <= 0.1 + 1e-9);
        }
    }
    assert!(beside > 10, "the case did not come up: {beside}");
}

#[test]
fn darts_run_to_the_crown_and_beyond_it() {
    let patch = base(5, vec![], vec![]);
    let cutter = Cutter::new(&patch);
    let to_crown = |depth| {
        let (_, path) = cutter
            .dart_path(0, &dart(Anchor::LeftEar, 0.0, depth, Towards::Crown))
            .unwrap();
        assert!((path.length - depth).abs() < 1e-6);
        path.points[path.points.len() - 1].position(&patch.mesh)
    };
    let crown = patch.head.crown;
    assert!(((to_crown(60.0) - crown).norm() - (to_crown(90.0) - crown).norm()) > 20.0);
    let beyond = to_crown(160.0);
    assert!(beyond.x > crown.x && (beyond - crown).norm() < 60.0);
    let spot = on_head(-0.8, 1.0);
    let (_, path) = cutter
        .dart_path(0, &dart(Anchor::RightEar, 30.0, 20.0, Towards::Point(spot)))
        .unwrap();
    assert!((path.length - 20.0).abs() < 1e-9);
}

#[test]
fn layouts_that_cannot_be_sewn_are_refused_with_the_reason() {
    let scar = KeepClear {
        centre: on_head(PI, 0.8),
        radius_mm: 20.0,
        reason: "scar".to_owned(),
    };
    let patch = base(4, vec![], vec![scar]);
    let refused = |d: Vec<DartSpec>| cut(&patch, &darts(d)).unwrap_err();
    assert!(matches!(
        refused(vec![dart(Anchor::Nape, 0.0, 90.0, Towards::Inward)]),
        DartError::KeepClear { name: CutName::Dart(0), distance_mm, .. } if distance_mm < 20.0
    ));
    assert!(matches!(
        refused(vec![
            dart(Anchor::LeftEar, 0.0, 60.0, Towards::Turned(0.6)),
            dart(Anchor::LeftEar, 30.0, 60.0, Towards::Turned(-0.6)),
        ]),
        DartError::Cross {
            first: CutName::Dart(0),
            second: CutName::Dart(1),
            ..
        }
    ));
    // From one ear over the top and off the other side.
    assert!(matches!(
        refused(vec![dart(Anchor::LeftEar, 0.0, 400.0, Towards::Inward)]),
        DartError::LeavesPatch { run_mm, .. } if run_mm > 250.0 && run_mm < 320.0
    ));
    assert!(matches!(
        refused(vec![dart(Anchor::LeftEar, 0.0, 2.0, Towards::Inward)]),
        DartError::PointNearEdge { .. }
    ));
    assert!(matches!(
        refused(vec![dart(Anchor::LeftEar, 0.0, 0.0, Towards::Inward)]),
        DartError::BadNumber { .. }
    ));
    assert!(matches!(
        refused(vec![dart(Anchor::LeftEar, f64::NAN, 9.0, Towards::Inward)]),
        DartError::BadNumber { .. }
    ));
    assert!(matches!(
        refused(vec![dart(Anchor::Opening(2), 0.0, 9.0, Towards::Inward)]),
        DartError::NoOpening { opening: 2, .. }
    ));
    assert!(matches!(
        refused(vec![dart(Anchor::Front, 5000.0, 9.0, Towards::Inward)]),
        DartError::MouthBeyondEdge { .. }
    ));
    let far = Towards::Point(Point3::new(0.0, 0.0, 300.0));
    assert!(matches!(
        refused(vec![dart(Anchor::Front, 0.0, 9.0, far)]),
        DartError::PointOff { .. }
    ));
    let inside = Layout {
        seams: vec![SeamSpec {
            through: vec![on_head(0.5, 1.2), on_head(2.0, 0.0)],
        }],
        ..Layout::default()
    };
    assert!(matches!(
        cut(&patch, &inside),
        Err(DartError::SeamEndOff { .. })
    ));
}

#[test]
fn darts_may_start_on_an_opening() {
    let opening = round_opening([-0.4, 0.3, 0.8], 0.2, HEAD, 40);
    let patch = base(5, vec![opening], vec![]);
    let layout = darts(vec![
        dart(Anchor::Opening(0), 20.0, 15.0, Towards::Inward),
        dart(Anchor::Nape, 10.0, 60.0, Towards::Inward),
    ]);
    let made = cut(&patch, &layout).unwrap();
    assert_cut(&patch, &made);
    assert_eq!(made.panels[0].loops.len(), 2);
    assert!(
        made.panels[0].loops[1]
            .kinds
            .contains(&EdgeKind::Dart(0, Side::Left))
    );
    assert!(
        made.panels[0].loops[1]
            .kinds
            .contains(&EdgeKind::Opening(0))
    );
}

#[test]
fn seams_part_the_base_into_panels_that_fit() {
    let patch = base(5, vec![], vec![]);
    let over = |side: f64| SeamSpec {
        // Front to nape beside the middle.
        through: [0.35, 0.8, 1.3]
            .iter()
            .map(|&e| on_head(side * 0.4, e))
            .chain([1.3, 0.8, 0.0].iter().map(|&e| on_head(PI - side * 0.4, e)))
            .collect(),
    };
    let layout = Layout {
        name: "three panels".to_owned(),
        darts: vec![
            dart(Anchor::LeftEar, 0.0, 40.0, Towards::Inward),
            dart(Anchor::RightEar, 0.0, 40.0, Towards::Inward),
        ],
        seams: vec![over(1.0), over(-1.0)],
    };
    let made = cut(&patch, &layout).unwrap();
    assert_cut(&patch, &made);
    assert_eq!(made.panels.len(), 3);
    assert!(
        made.panels
            .windows(2)
            .all(|w| w[0].mesh.area() >= w[1].mesh.area())
    );
    for line in &made.seams {
        assert!(made.mesh.on_boundary(line.path[0]));
        assert!(made.mesh.on_boundary(*line.path.last().unwrap()));
    }
    // A dart into a seam is refused.
    let mut crossing = layout;
    crossing.darts[0].depth_mm = 140.0;
    assert!(matches!(
        cut(&patch, &crossing),
        Err(DartError::Cross {
            second: CutName::Seam(_),
            ..
        })
    ));
}

#[test]
fn even_darts_come_in_mirror_pairs_behind_the_front() {
    let patch = base(5, vec![], vec![]);
    for n in [1, 2, 3, 4, 6, 8, 10] {
        let layout = even(&patch, n);
        assert_eq!(layout.name, format!("even:{n}"));
        assert_eq!(layout.darts.len(), n);
        for (a, b) in layout.darts.iter().zip(layout.darts.iter().rev()) {
            assert!((a.along_mm + b.along_mm).abs() < 1e-9);
            assert!((a.depth_mm - b.depth_mm).abs() < 1e-9);
        }
        let made = cut(&patch, &layout).unwrap();
        assert_cut(&patch, &made);
        for line in &made.darts {
            let h = made.mesh.outgoing(line.path[0]);
            let kind = made.panels[0].loops[0]
                .kinds
                .iter()
                .zip(&made.panels[0].loops[0].vertices)
                .find(|(_, v)| made.panels[0].origin[**v as usize] == made.mesh.tail(h))
                .map(|(k, _)| *k);
            assert_ne!(kind, Some(EdgeKind::Perimeter(Zone::Front)));
            let end = made.mesh.position(*line.path.last().unwrap());
            let gap = (end - patch.head.crown).norm();
            assert!(gap > 40.0 && gap < 55.0, "{gap}");
        }
    }
}

#[test]
fn even_darts_stay_alike_beside_a_place_on_one_side() {
    let free = base(5, vec![], vec![]);
    let line = cut(&free, &even(&free, 4)).unwrap();
    let path = &line.darts[1].path;
    let scar = KeepClear {
        centre: line.mesh.position(path[path.len() - 1]),
        radius_mm: 12.0,
        reason: "scar".into(),
    };
    let patch = base(5, vec![], vec![scar]);
    let layout = even(&patch, 4);
    assert_eq!(layout.darts.len(), 4);
    let depths: Vec<f64> = layout.darts.iter().map(|d| d.depth_mm).collect();
    assert!((depths[1] - depths[2]).abs() < 1e-9 && depths[1] < depths[0] - 10.0);
    assert_cut(&patch, &cut(&patch, &layout).unwrap());
}

#[test]
fn an_even_dart_stops_15_mm_before_an_opening_whatever_triangles_it_crosses() {
    for level in [3, 4, 5] {
        let opening = round_opening([0.0, -0.6, 0.8], 0.2, HEAD, 40);
        let patch = base(level, vec![opening], vec![]);
        let layout = even(&patch, 1);
        assert_eq!(layout.darts.len(), 1);
        // The line itself, for cutting it moves its point by up to what lines are told apart by.
        let (_, path) = Cutter::new(&patch).dart_path(0, &layout.darts[0]).unwrap();
        let end = path.points[path.points.len() - 1].position(&patch.mesh);
        let (_, gap) = patch.opening_edges()[0].nearest(&patch.mesh, end);
        assert!((gap - 15.0).abs() < 1e-5, "level {level}: {gap} mm");
    }
}

#[test]
fn even_darts_keep_off_an_opening_and_serve_partial_pieces() {
    let opening = round_opening([-0.5, -0.2, 0.8], 0.25, HEAD, 40);
    let patch = base(5, vec![opening], vec![]);
    let made = cut(&patch, &even(&patch, 8)).unwrap();
    assert_cut(&patch, &made);
    let mold = tri(fixtures::head(5));
    let front = round_opening([0.0, 0.7, 0.7], 0.5, HEAD, 60);
    let piece = Patch::cut(
        &mold,
        landmarks(&mold).unwrap(),
        &outline(front, vec![]),
        vec![],
    )
    .unwrap();
    let layout = even(&piece, 4);
    assert_eq!(layout.darts.len(), 4);
    assert_cut(&piece, &cut(&piece, &layout).unwrap());
}

#[test]
fn random_layouts_are_cut_soundly_or_refused() {
    // A fixed sequence of numbers in 0..1 (linear congruential, Knuth's MMIX constants).
    let mut state = 42_u64;
    let mut random = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let opening = round_opening([-0.3, 0.4, 0.8], 0.15, HEAD, 30);
    let patches = [
        base(3, vec![], vec![]),
        base(4, vec![opening], vec![]),
        base(5, vec![], vec![]),
        // As rough as a bad scan, and with triangles a thousand times longer than wide.
        base_on(fixtures::noisy(fixtures::head(5), 0.5, 7), vec![], vec![]),
        base_on(
            fixtures::slivers(fixtures::head(4), 1e-3, 7),
            vec![],
            vec![],
        ),
    ];
    let (mut made, mut refused) = (0, 0);
    for patch in &patches {
        let cutter = Cutter::new(patch);
        for _ in 0..40 {
            let count = 1 + (random() * 6.0) as usize;
            let anchors = [
                Anchor::Front,
                Anchor::Nape,
                Anchor::LeftEar,
                Anchor::RightEar,
            ];
            let layout = darts(
                (0..count)
                    .map(|_| {
                        dart(
                            anchors[(random() * 4.0) as usize],
                            200.0 * random() - 100.0,
                            10.0 + 70.0 * random(),
                            Towards::Turned(1.6 * random() - 0.8),
                        )
                    })
                    .collect(),
            );
            match cutter.cut(&layout) {
                Ok(cut) => {
                    assert_cut(patch, &cut);
                    made += 1;
                }
                Err(
                    DartError::Cross { .. }
                    | DartError::LeavesPatch { .. }
                    | DartError::PointNearEdge { .. }
                    | DartError::TouchesEdge { .. },
                ) => refused += 1,
                Err(other) => panic!("{other}"),
            }
        }
    }
    assert!(made > 40, "{made} cut, {refused} refused");
}
