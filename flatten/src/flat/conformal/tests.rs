use super::*;
use crate::Point3;

fn surface((positions, faces): fixtures::Mesh) -> TriMesh {
    let positions = positions.into_iter().map(Point3::from).collect();
    TriMesh::new(positions, faces).unwrap()
}

/// Largest relative difference of an edge's length on the map.
fn edge_error(mesh: &TriMesh, uv: &[Point2]) -> f64 {
    let mut worst: f64 = 0.0;
    for h in 0..index(3 * mesh.face_count()) {
        let (a, b) = (mesh.tail(h), mesh.head(h));
        let length = (mesh.position(a) - mesh.position(b)).norm();
        worst = worst.max(((uv[a as usize] - uv[b as usize]).norm() / length - 1.0).abs());
    }
    worst
}

#[test]
fn what_unrolls_keeps_every_length() {
    for (name, mesh) in fixtures::disks().into_iter().take(3) {
        let mesh = surface(mesh);
        let far = index(mesh.vertex_count() - 1);
        let pins = [(0, Point2::new(1.0, 2.0)), (far, Point2::new(-3.0, 5.0))];
        for method in [Method::PinFree, Method::Pinned(pins), Method::BoundaryFirst] {
            let map = flatten_patch(&mesh, &method.into()).unwrap();
            let worst = edge_error(&mesh, &map.uv);
            assert!(worst < 1e-9, "{name} {method:?}: {worst:e}");
            assert_eq!(map.report.flipped, 0);
            assert!(map.report.energy.abs() < 1e-9);
        }
    }
}

#[test]
fn nothing_is_turned_over_on_a_smooth_cap() {
    for (name, mesh) in fixtures::disks().into_iter().skip(3) {
        let mesh = surface(mesh);
        let map = flatten_patch(&mesh, &ConformalOptions::default()).unwrap();
        println!("{name}: {:?}", map.report);
        assert!(map.report.converged, "{name}");
        assert_eq!(map.report.flipped, 0, "{name}");
        assert!(map.report.energy > 0.0);
    }
}

#[test]
fn the_boundary_block_and_the_whole_system_give_one_map() {
    let pierced = fixtures::pierced(
        fixtures::bumpy_cap([75.0, 95.0, 80.0], 1.7, 0.03, 1500),
        [20.0, 40.0, 65.0],
        18.0,
    );
    let mut meshes = fixtures::disks();
    meshes.push(("pierced", pierced));
    for (name, mesh) in meshes {
        let mesh = surface(mesh);
        let laplacian = Laplacian::cotan(&mesh);
        let flattener = Flattener::new(&mesh).unwrap();
        let edge = boundary(&mesh);
        // On the boundary, and one inside.
        for ends in [[edge[0], edge[edge.len() / 2]], [edge[1], 0]] {
            let pins = [
                (ends[0], Point2::new(0.0, 0.0)),
                (ends[1], Point2::new(1.0, 0.0)),
            ];
            let ours = flattener.pinned(pins).unwrap();
            let pins = pins.map(|(v, p)| (v, c64::new(p.x, p.y)));
            let other = whole::pinned(&mesh, &laplacian, pins).unwrap();
            let worst = ours
                .iter()
                .zip(&other)
                .map(|(a, b)| (a - b).norm())
                .fold(0.0, f64::max);
            assert!(worst < 1e-9, "{name} {ends:?}: {worst:e}");
        }
        let (ours, ..) = flattener.pin_free().unwrap();
        let mass = equations::boundary_mass(&mesh);
        let (mut other, ..) = whole::pin_free(&mesh, &laplacian, view(&mesh), &mass).unwrap();
        turn_to_view(&mut other, &mut view(&mesh));
        let size = ours.iter().map(|z| z.norm()).fold(0.0, f64::max);
        let worst = ours
            .iter()
            .zip(&other)
            .map(|(a, b)| (a - b).norm())
            .fold(0.0, f64::max);
        assert!(worst < 1e-6 * size, "{name}: {worst:e} of {size}");
    }
}
