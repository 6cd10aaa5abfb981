//! What darts are worth: strain of even and automatic layouts on the average head and on caps.
//!
//! `cargo run --release -p flatten --example layouts [BASE] [MOST] [ROUNDS] [RESTARTS] [FEWEST]`
//!
//! BASE is `head`, or `cap:60` for the part of a sphere of 90 mm within 60° of its top. With many restarts and
//! rounds it finds the layouts that the search starts from.

use std::{error::Error, f64::consts::TAU, time::Instant};

use flatten::{
    Point3,
    dart::{self, Layout, SearchOptions},
    flat::{self, StrainField},
    form::average_head,
    job::Material,
    mesh::TriMesh,
    patch::{Head, Outline, Patch},
};

const CAP_RADIUS_MM: f64 = 90.0;

/// Twenty thousand triangles all round.
const CAP_LEVEL: u32 = 5;

fn main() -> Result<(), Box<dyn Error>> {
    let mut words = std::env::args().skip(1);
    let base = words.next().unwrap_or_else(|| "head".to_owned());
    let mut numbers = words.map(|a| a.parse::<usize>());
    let most = numbers.next().transpose()?.unwrap_or(8);
    let rounds = numbers.next().transpose()?;
    let restarts = numbers.next().transpose()?.unwrap_or(0);
    let fewest = numbers.next().transpose()?.unwrap_or(2);
    let patch = match base.strip_prefix("cap:") {
        Some(degrees) => cap(degrees.parse::<f64>()?.to_radians())?,
        None => {
            let form = average_head();
            Patch::cut(&form.mesh(12_000), form.head(), &form.outline(), Vec::new())?
        }
    };
    println!(
        "{:.0} cm², {:.0}° of curvature, perimeter {:.0} mm",
        patch.mesh.area() / 100.0,
        patch.mesh.total_curvature().to_degrees(),
        patch.perimeter_edge().length_mm
    );

    for count in (fewest..=most).step_by(2) {
        tell(&patch, &dart::even(&patch, count))?;
        let mut options = SearchOptions {
            fewest: count,
            most: count,
            restarts,
            ..SearchOptions::default()
        };
        options.rounds = rounds.unwrap_or(options.rounds);
        if restarts > 0 {
            (options.batch, options.width) = (14, 0.06);
        }
        let start = Instant::now();
        let found = dart::search(&patch, &lace(), &options)?;
        tell(&patch, &found.best.layout)?;
        println!(
            "    coarse p95 {:.2} %, {} tried in {:.1} s, uneven by {:.1} mm",
            100.0 * found.best.p95,
            found.tried,
            start.elapsed().as_secs_f64(),
            found.uneven_mm
        );
        // As they go into `flatten/src/dart/search/starts.rs`: the left dart of each pair, on the right.
        let cut = dart::cut(&patch, &found.best.layout)?;
        for ([mouth, ..], line) in found.best.genes.iter().zip(cut.darts.iter().step_by(2)) {
            let point = cut.mesh.position(line.path[line.path.len() - 1]);
            let [x, y, z] = patch.head.in_parts(point);
            println!("    start({mouth:.3}, [{:.3}, {y:.3}, {z:.3}]),", -x);
        }
    }
    Ok(())
}

fn lace() -> Material {
    Material {
        name: "lace".into(),
        limit: 0.03,
        tension: 1.0,
        crowding: 1.0,
    }
}

/// A base whose edge lies on a sphere everywhere equally far from the top.
fn cap(angle: f64) -> Result<Patch, Box<dyn Error>> {
    let (positions, faces) = fixtures::icosphere(CAP_RADIUS_MM, CAP_LEVEL);
    let sphere = TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces)?;
    // By bearing from the front to the left.
    let spot = |bearing: f64| {
        let [x, y, z] = [
            -angle.sin() * bearing.sin(),
            angle.sin() * bearing.cos(),
            angle.cos(),
        ];
        Point3::new(x, y, z) * CAP_RADIUS_MM
    };
    let top = Point3::new(0.0, 0.0, CAP_RADIUS_MM);
    let quarter = |k: f64| spot(k * TAU / 4.0);
    let head = Head::from_landmarks(
        quarter(0.0),
        quarter(2.0),
        quarter(1.0),
        quarter(3.0),
        Some(top),
        &sphere,
    )?;
    let outline = Outline {
        perimeter: (0..72).map(|k| spot(f64::from(k) * TAU / 72.0)).collect(),
        openings: Vec::new(),
    };
    Ok(Patch::cut(&sphere, head, &outline, Vec::new())?)
}

fn tell(patch: &Patch, layout: &Layout) -> Result<(), Box<dyn Error>> {
    let cut = dart::cut(patch, layout)?;
    let laid = flat::lay_together(&cut.panels, &lace())?;
    let maps = laid.iter().map(|(map, _)| &map.uv[..]);
    let edge = flat::finished_length(cut.panels.iter().zip(maps));
    let fields: Vec<StrainField> = laid.into_iter().map(|(_, field)| field).collect();
    let length: f64 = cut.darts.iter().map(|d| d.length_mm).sum();
    println!(
        "{:<16} p95 {:.2} %, perimeter {:+.2} %, {length:.0} mm to sew",
        layout.name,
        100.0 * StrainField::joined(&fields).summary(lace().limit).p95,
        100.0 * edge.error
    );
    Ok(())
}
