//! From outlines to patches, and from layouts to panels: closed forms, laws and refusals.

use std::f64::consts::{PI, TAU};

use flatten::{
    Point3, Vector3,
    mesh::{Line, Nearest, TriMesh, imprint, shortest},
    patch::{Drawn, Head, Outline, Patch, PatchError, Zone},
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
    let tree = Nearest::new(&mold);
    let mut points = Vec::new();
    let perimeter = full_base(80);
    for (k, &p) in perimeter.iter().enumerate() {
        let q = perimeter[(k + 1) % perimeter.len()];
        let path = shortest(&mold, tree.project(&mold, p).0, tree.project(&mold, q).0).unwrap();
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
