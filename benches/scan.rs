//! Reading a million triangles in each format, and mending them.

use std::{fmt::Write as _, hint::black_box, time::Duration};

use criterion::{Criterion, criterion_group, criterion_main};
use flatten::{
    mesh::{MendOptions, mend},
    scan::{Format, NoCompanions, read_bytes},
};

/// Vertices round the mold that give 1 000 000 triangles.
const AROUND: u32 = 1225;

fn ply(positions: &[[f64; 3]], faces: &[[u32; 3]]) -> Vec<u8> {
    let mut bytes = format!(
        "ply\nformat binary_little_endian 1.0\nelement vertex {}\nproperty float x\nproperty float y\nproperty float z\nproperty uchar red\nproperty uchar green\nproperty uchar blue\nelement face {}\nproperty list uchar int vertex_indices\nend_header\n",
        positions.len(),
        faces.len()
    )
    .into_bytes();
    for p in positions {
        bytes.extend(p.iter().flat_map(|&c| (c as f32).to_le_bytes()));
        bytes.extend([200, 180, 160]);
    }
    for face in faces {
        bytes.push(3);
        bytes.extend(face.iter().flat_map(|v| v.to_le_bytes()));
    }
    bytes
}

fn obj(positions: &[[f64; 3]], faces: &[[u32; 3]]) -> Vec<u8> {
    let mut text = String::new();
    for [x, y, z] in positions {
        writeln!(text, "v {x:.6} {y:.6} {z:.6}").expect("a string takes all");
    }
    for [x, y, _] in positions {
        writeln!(text, "vt {:.6} {:.6}", x / 300.0 + 0.5, y / 300.0 + 0.5)
            .expect("a string takes all");
    }
    for face in faces {
        let [a, b, c] = face.map(|v| v + 1);
        writeln!(text, "f {a}/{a} {b}/{b} {c}/{c}").expect("a string takes all");
    }
    text.into_bytes()
}

fn stl(positions: &[[f64; 3]], faces: &[[u32; 3]]) -> Vec<u8> {
    let mut bytes = vec![0; 80];
    bytes.extend(u32::try_from(faces.len()).expect("a million").to_le_bytes());
    for face in faces {
        bytes.extend([0; 12]);
        for &v in face {
            bytes.extend(
                positions[v as usize]
                    .iter()
                    .flat_map(|&c| (c as f32).to_le_bytes()),
            );
        }
        bytes.extend([0; 2]);
    }
    bytes
}

fn scan(c: &mut Criterion) {
    let (positions, faces) = fixtures::mold(AROUND);
    let mut group = c.benchmark_group("scan");
    group
        .sample_size(10)
        .measurement_time(Duration::from_secs(8));
    for (name, format, bytes) in [
        ("ply_1m", Format::Ply, ply(&positions, &faces)),
        ("obj_1m", Format::Obj, obj(&positions, &faces)),
        ("stl_1m", Format::Stl, stl(&positions, &faces)),
    ] {
        let read = || read_bytes(format, &bytes, &NoCompanions).expect("a good file");
        group.bench_function(format!("read_{name}"), |b| b.iter(|| black_box(read())));
        group.bench_function(format!("read_and_mend_{name}"), |b| {
            b.iter(|| black_box(mend(read(), &MendOptions::default()).expect("a good mold")));
        });
    }
    group.finish();
}

criterion_group!(benches, scan);
criterion_main!(benches);
