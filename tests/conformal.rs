//! Conformal maps: against libigl, and the laws every such map obeys.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

use std::f64::consts::TAU;

use flatten::{
    Point2, Point3,
    flat::conformal::{ConformalOptions, FlatError, Flattener, Method, flatten_patch},
    mesh::TriMesh,
};

fn surface((positions, faces): fixtures::Mesh) -> TriMesh {
    let positions = positions.into_iter().map(Point3::from).collect();
    TriMesh::new(positions, faces).unwrap()
}

fn pinned(a: (u32, Point2), b: (u32, Point2)) -> ConformalOptions {
    ConformalOptions {
        method: Method::Pinned([a, b]),
        true_size: false,
    }
}

fn origin_and_one(a: u32, b: u32) -> ConformalOptions {
    pinned((a, Point2::new(0.0, 0.0)), (b, Point2::new(1.0, 0.0)))
}

fn farthest(a: &[Point2], b: &[Point2]) -> f64 {
    assert_eq!(a.len(), b.len());
    a.iter()
        .zip(b)
        .map(|(a, b)| (a - b).norm())
        .fold(0.0, f64::max)
}

/// Signed area of the map and its Dirichlet energy, triangle by triangle.
fn area_and_dirichlet(mesh: &TriMesh, uv: &[Point2]) -> (f64, f64) {
    let (mut area, mut dirichlet) = (0.0, 0.0);
    for (face, corners) in (0_u32..).zip(mesh.faces()) {
        let [p, q, r] = mesh.corners(face);
        let [a, b, c] = corners.map(|v| uv[v as usize]);
        area += 0.5 * (b - a).perp(&(c - a));
        // The triangle's own plane coordinates.
        let x = (q - p).norm();
        let along = (q - p) / x;
        let (s, t) = ((r - p).dot(&along), (r - p).cross(&along).norm());
        let du = (b - a) / x;
        let dv = ((c - a) - du * s) / t;
        dirichlet += 0.5 * (0.5 * x * t) * (du.norm_squared() + dv.norm_squared());
    }
    (area, dirichlet)
}

/// Source: libigl 2.6.3, `igl.lscm`, by tests/reference/lscm_libigl.py.
#[test]
fn the_map_is_the_one_that_libigl_finds() {
    let text = include_str!("reference/lscm_libigl.json");
    let reference: serde_json::Value = serde_json::from_str(text).unwrap();
    let rows =
        |name: &str| -> Vec<Vec<f64>> { serde_json::from_value(reference[name].clone()).unwrap() };
    let positions: Vec<Point3> = rows("positions")
        .iter()
        .map(|p| Point3::new(p[0], p[1], p[2]))
        .collect();
    let faces: Vec<[u32; 3]> = serde_json::from_value(reference["faces"].clone()).unwrap();
    let pins: [u32; 2] = serde_json::from_value(reference["pins"].clone()).unwrap();
    let expected: Vec<Point2> = rows("uv").iter().map(|p| Point2::new(p[0], p[1])).collect();
    let mesh = TriMesh::new(positions, faces).unwrap();
    let map = flatten_patch(&mesh, &origin_and_one(pins[0], pins[1])).unwrap();
    let difference = farthest(&map.uv, &expected);
    assert!(difference < 1e-6, "{difference:e} of a pin distance of 1");
}

#[test]
fn moved_pins_move_the_map_and_change_nothing_else() {
    let mesh = surface(fixtures::bumpy_cap([75.0, 95.0, 80.0], 1.7, 0.03, 600));
    let ring = &mesh.boundary_loops()[0];
    let (a, b) = (ring[0], ring[ring.len() / 2]);
    let flattener = Flattener::new(&mesh).unwrap();
    let plain = flattener.flatten(&origin_and_one(a, b)).unwrap();
    // z → (3 − 4i) z + 7 + 2i
    let moved = |p: &Point2| Point2::new(3.0 * p.x + 4.0 * p.y + 7.0, 3.0 * p.y - 4.0 * p.x + 2.0);
    let options = pinned((a, Point2::new(7.0, 2.0)), (b, Point2::new(10.0, -2.0)));
    let other = flattener.flatten(&options).unwrap();
    let expected: Vec<Point2> = plain.uv.iter().map(moved).collect();
    assert!(farthest(&other.uv, &expected) < 1e-10);
}

#[test]
fn energy_is_what_the_dirichlet_energy_exceeds_the_area_by() {
    for (name, mesh) in fixtures::disks() {
        let mesh = surface(mesh);
        for method in [Method::PinFree, Method::BoundaryFirst] {
            let map = flatten_patch(&mesh, &method.into()).unwrap();
            let (area, dirichlet) = area_and_dirichlet(&mesh, &map.uv);
            assert!(area > 0.0, "{name}: mirrored");
            let energy = (dirichlet - area) / area;
            assert!((energy - map.report.energy).abs() < 1e-9, "{name}");
            assert!(energy > -1e-12, "{name}");
        }
    }
}

#[test]
fn the_default_size_is_the_surfaces_own() {
    let mesh = surface(fixtures::cap(90.0, 1.4, 800));
    let map = flatten_patch(&mesh, &ConformalOptions::default()).unwrap();
    let (mut sum, mut total) = (0.0, 0.0);
    for (face, corners) in (0_u32..).zip(mesh.faces()) {
        let [a, b, c] = corners.map(|v| map.uv[v as usize]);
        let area = mesh.face_area(face);
        sum += area * (0.5 * (b - a).perp(&(c - a)) / area).ln();
        total += area;
    }
    assert!((sum / total).abs() < 1e-12);
}

/// The conformal map of a spherical cap is stereographic projection: radius tan(θ/2) (Gauss 1825).
/// A mesh meets it in the limit, the error falling with the square of the edge length.
#[test]
fn a_cap_is_mapped_stereographically_in_the_limit() {
    let angle: f64 = 1.2;
    let error = |method: Method, vertices| {
        let mesh = surface(fixtures::cap(1.0, angle, vertices));
        let map = flatten_patch(&mesh, &method.into()).unwrap();
        let radius_of = |v: usize| (map.uv[v] - map.uv[0]).norm();
        let polar = |v: usize| mesh.positions()[v].z.clamp(-1.0, 1.0).acos();
        let edge = radius_of(mesh.vertex_count() - 1);
        (1..mesh.vertex_count())
            .map(|v| radius_of(v) / edge - (0.5 * polar(v)).tan() / (0.5 * angle).tan())
            .fold(0.0, |most: f64, e| most.max(e.abs()))
    };
    let (coarse, fine) = (
        error(Method::BoundaryFirst, 2000),
        error(Method::BoundaryFirst, 8000),
    );
    assert!(fine < 5e-4 && fine < 0.35 * coarse, "{coarse:e} {fine:e}");
    // Without pins every conformal map of the smooth surface is as good as another, and the mesh
    // decides between them: a mesh with six corners adds a trace of z⁷ that does not fade.
    let pin_free = error(Method::PinFree, 8000);
    assert!(pin_free < 3e-3, "{pin_free:e}");
}

#[test]
fn boundary_first_keeps_the_edge() {
    for (name, mesh) in fixtures::disks() {
        let mesh = surface(mesh);
        let map = flatten_patch(&mesh, &Method::BoundaryFirst.into()).unwrap();
        let ring = &mesh.boundary_loops()[0];
        let (mut flat, mut surface) = (0.0, 0.0);
        for (k, &a) in ring.iter().enumerate() {
            let b = ring[(k + 1) % ring.len()];
            flat += (map.uv[a as usize] - map.uv[b as usize]).norm();
            surface += (mesh.position(a) - mesh.position(b)).norm();
        }
        assert!(
            (flat / surface - 1.0).abs() < 1e-3,
            "{name}: {flat} {surface}"
        );
    }
}

#[test]
fn a_mirrored_surface_gives_a_mirrored_map() {
    let cap = || fixtures::bumpy_cap([75.0, 95.0, 80.0], 1.6, 0.03, 500);
    let (left, right) = (surface(cap()), surface(fixtures::mirrored(cap())));
    for method in [Method::PinFree, Method::BoundaryFirst] {
        let [a, b] = [&left, &right].map(|m| flatten_patch(m, &method.into()).unwrap());
        let size = a.uv.iter().map(|p| p.coords.norm()).fold(0.0, f64::max);
        let back: Vec<Point2> = b.uv.iter().map(|p| Point2::new(-p.x, p.y)).collect();
        let difference = farthest(&a.uv, &back);
        assert!(difference < 1e-6 * size, "{method:?}: {difference:e}");
        assert_eq!(b.report.flipped, 0);
    }
}

#[test]
fn any_number_of_threads_gives_the_same_bits() {
    // Large enough for regions, fronts and dense blocks to be shared out.
    let mesh = surface(fixtures::bumpy_cap([75.0, 95.0, 80.0], 1.7, 0.03, 30_000));
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| {
            let flattener = Flattener::new(&mesh).unwrap();
            let mut bits = Vec::new();
            for method in [Method::PinFree, Method::BoundaryFirst] {
                let map = flattener.flatten(&method.into()).unwrap();
                bits.extend(map.uv.iter().flat_map(|p| [p.x.to_bits(), p.y.to_bits()]));
            }
            bits
        })
    };
    let one = run(1);
    assert!(one == run(2), "2 threads");
    assert!(one == run(8), "8 threads");
}

#[test]
fn openings_and_long_cuts_are_laid_flat_too() {
    let cap = || fixtures::cap(90.0, TAU / 5.0, 2000);
    let pierced = surface(fixtures::pierced(cap(), [30.0, 10.0, 80.0], 15.0));
    assert_eq!(pierced.boundary_loops().len(), 2);
    let map = flatten_patch(&pierced, &ConformalOptions::default()).unwrap();
    assert_eq!(map.report.flipped, 0);
    assert!(map.report.energy < 2e-3);
    assert!(matches!(
        flatten_patch(&pierced, &Method::BoundaryFirst.into()),
        Err(FlatError::NotADisk { boundaries: 2 })
    ));
    // The boundary is longer than the dense block takes: the sparse system steps in.
    let comb = surface(fixtures::comb(8, 250, 6));
    assert!(comb.boundary_loops()[0].len() > 3000);
    for method in [Method::PinFree, Method::BoundaryFirst] {
        let map = flatten_patch(&comb, &method.into()).unwrap();
        assert_eq!(map.report.flipped, 0, "{method:?}");
        for (face, corners) in (0_u32..).zip(comb.faces()) {
            let [a, b, c] = corners.map(|v| map.uv[v as usize]);
            let area = 0.5 * (b - a).perp(&(c - a));
            assert!(
                (area / comb.face_area(face) - 1.0).abs() < 1e-5,
                "{method:?}"
            );
        }
    }
}

#[test]
fn what_is_not_one_open_surface_is_refused() {
    let (mut positions, mut faces) = fixtures::plane(10.0, 10.0, 2, 2);
    let count = positions.len() as u32;
    let (more, others) = fixtures::plane(5.0, 5.0, 2, 2);
    positions.extend(more);
    faces.extend(others.iter().map(|f| f.map(|v| v + count)));
    let apart = surface((positions, faces));
    let refusal = flatten_patch(&apart, &ConformalOptions::default()).unwrap_err();
    assert_eq!(refusal, FlatError::Apart { parts: 2 });

    let tetrahedron = surface((
        vec![
            [0.0, 0.0, 0.0],
            [1.0, 0.0, 0.0],
            [0.0, 1.0, 0.0],
            [0.0, 0.0, 1.0],
        ],
        vec![[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]],
    ));
    let refusal = flatten_patch(&tetrahedron, &ConformalOptions::default()).unwrap_err();
    assert_eq!(refusal, FlatError::Closed);

    let plane = surface(fixtures::plane(10.0, 10.0, 2, 2));
    let refusal = flatten_patch(&plane, &origin_and_one(3, 3)).unwrap_err();
    assert!(matches!(
        refusal,
        FlatError::Pins {
            vertices: [3, 3],
            ..
        }
    ));
}
