use super::*;
use crate::mesh::shortest;

fn tri((positions, faces): (Vec<[f64; 3]>, Vec<[u32; 3]>)) -> TriMesh {
    TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces).unwrap()
}

fn are_edges(mesh: &TriMesh, path: &[u32]) -> bool {
    path.windows(2).all(|w| {
        mesh.fan(w[0])
            .any(|h| mesh.head(h) == w[1] || mesh.tail(crate::mesh::prev(h)) == w[1])
    })
}

#[test]
fn a_line_across_two_triangles_is_shared_by_both() {
    let p = |x, y| Point3::new(x, y, 0.0);
    let mesh = TriMesh::new(
        vec![p(0.0, 0.0), p(10.0, 0.0), p(10.0, 10.0), p(0.0, 10.0)],
        vec![[0, 1, 2], [0, 2, 3]],
    )
    .unwrap();
    let (a, ..) = mesh.project(p(7.0, 2.0));
    let (b, ..) = mesh.project(p(2.0, 6.0));
    let line = shortest(&mesh, a, b).unwrap();
    let out = imprint(
        &mesh,
        &[Line {
            points: line.points,
            closed: false,
        }],
    )
    .unwrap();
    assert_eq!(out.paths[0].len(), 3);
    assert!(are_edges(&out.mesh, &out.paths[0]));
    assert!((out.mesh.area() - 100.0).abs() < 1e-12);
    assert_eq!(out.mesh.euler_characteristic(), 1);
}

#[test]
fn crossings_become_vertices_of_both_lines() {
    let p = |x, y| Point3::new(x, y, 0.0);
    let mesh = TriMesh::new(
        vec![p(0.0, 0.0), p(90.0, 0.0), p(0.0, 90.0)],
        vec![[0, 1, 2]],
    )
    .unwrap();
    let line = |points: &[[f64; 2]], closed| Line {
        points: points
            .iter()
            .map(|q| mesh.project(p(q[0], q[1])).0)
            .collect(),
        closed,
    };
    let out = imprint(
        &mesh,
        &[
            line(&[[10.0, 10.0], [40.0, 40.0]], false),
            line(&[[10.0, 40.0], [40.0, 10.0]], false),
            line(
                &[[20.0, 5.0], [50.0, 5.0], [50.0, 20.0], [20.0, 20.0]],
                true,
            ),
        ],
    )
    .unwrap();
    let meeting: Vec<u32> = out.paths[0]
        .iter()
        .copied()
        .filter(|v| out.paths[1].contains(v))
        .collect();
    assert_eq!(meeting.len(), 1);
    assert!((out.mesh.position(meeting[0]) - p(25.0, 25.0)).norm() < 1e-12);
    for path in &out.paths {
        assert!(are_edges(&out.mesh, path));
    }
    assert!((out.mesh.area() - 4050.0).abs() < 1e-9);
}

#[test]
fn random_lines_over_a_head_keep_its_area_and_shape() {
    let mesh = tri(fixtures::head(4));
    let mut lines = Vec::new();
    for k in 0..40 {
        let a = f64::from(k);
        let spot = |a: f64| {
            Point3::new(
                90.0 * a.sin(),
                110.0 * (1.7 * a).cos(),
                120.0 * (0.6 * a).sin(),
            )
        };
        let (from, ..) = mesh.project(spot(a));
        let (to, ..) = mesh.project(spot(a + 0.8));
        lines.push(Line {
            points: shortest(&mesh, from, to).unwrap().points,
            closed: false,
        });
    }
    let out = imprint(&mesh, &lines).unwrap();
    assert!((out.mesh.area() / mesh.area() - 1.0).abs() < 1e-12);
    assert_eq!(out.mesh.euler_characteristic(), 2);
    assert_eq!(out.face_source.len(), out.mesh.face_count());
    for (path, line) in out.paths.iter().zip(&lines) {
        assert!(are_edges(&out.mesh, path));
        let length = |p: Vec<Point3>| p.windows(2).map(|w| (w[1] - w[0]).norm()).sum::<f64>();
        let drawn = length(path.iter().map(|&v| out.mesh.position(v)).collect());
        let wanted = length(line.points.iter().map(|p| p.position(&mesh)).collect());
        assert!((drawn / wanted - 1.0).abs() < 1e-3, "{drawn} {wanted}");
    }
    let mut by_source = vec![0.0; mesh.face_count()];
    for (f, &s) in out.face_source.iter().enumerate() {
        by_source[s as usize] += out.mesh.face_area(index(f));
    }
    for (f, area) in by_source.iter().enumerate() {
        assert!((area - mesh.face_area(index(f))).abs() < 1e-10);
    }
}
