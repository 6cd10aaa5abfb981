//! The mesh while it is being mended: plain arrays that may break every law, with paint and acts.

use image::RgbImage;

use crate::{
    Point3, Vector3,
    mesh::{MeshError, NONE, TriMesh, index},
    scan::{Paint, RawScan},
};

use super::{Mend, MendAct, MendError};

/// Texture coordinates of a face's corners.
pub(super) type Corners = [[f32; 2]; 3];

#[derive(Debug, Clone)]
pub(super) struct Draft {
    pub(super) positions: Vec<Point3>,
    pub(super) faces: Vec<[u32; 3]>,
    /// Parallel to the positions, when there are any.
    pub(super) colours: Option<Vec<[u8; 3]>>,
    /// Parallel to the faces, when there are any.
    pub(super) corners: Option<Vec<Corners>>,
    image: Option<RgbImage>,
    acts: Vec<MendAct>,
    mm_per_unit: f64,
}

impl Draft {
    pub(super) fn new(raw: RawScan) -> Self {
        let (mut colours, mut corners, mut image) = (None, None, None);
        match raw.paint {
            // Paint that is not parallel is the caller's mistake; better none than a wrong one.
            Some(Paint::Vertex(list)) if list.len() == raw.positions.len() => colours = Some(list),
            Some(Paint::Texture {
                corners: list,
                image: picture,
            }) if list.len() == raw.faces.len() => {
                (corners, image) = (Some(list), Some(picture));
            }
            _ => {}
        }
        Self {
            positions: raw.positions,
            faces: raw.faces,
            colours,
            corners,
            image,
            acts: Vec::new(),
            mm_per_unit: 1.0,
        }
    }

    pub(super) fn point(&self, vertex: u32) -> Point3 {
        self.positions[vertex as usize]
    }

    #[inline]
    pub(super) fn points(&self, face: usize) -> [Point3; 3] {
        let [a, b, c] = self.faces[face];
        [self.point(a), self.point(b), self.point(c)]
    }

    /// Half the cross product of two sides.
    pub(super) fn area_vector(&self, face: usize) -> Vector3 {
        let [a, b, c] = self.points(face);
        0.5 * (b - a).cross(&(c - a))
    }

    pub(super) fn centre(&self, face: usize) -> Point3 {
        let [a, b, c] = self.points(face);
        Point3::from((a.coords + b.coords + c.coords) / 3.0)
    }

    /// Adds to the act of its kind; the first place is kept.
    pub(super) fn note(&mut self, what: Mend, count: usize, place: Point3) {
        if count == 0 {
            return;
        }
        let place = place / self.mm_per_unit;
        match self.acts.iter_mut().find(|act| act.what == what) {
            Some(act) => act.count += count,
            None => self.acts.push(MendAct { what, count, place }),
        }
    }

    pub(super) fn scale_to_millimetres(&mut self, mm_per_unit: f64) {
        self.mm_per_unit = mm_per_unit;
        for position in &mut self.positions {
            *position *= mm_per_unit;
        }
    }

    pub(super) fn turn(&mut self, face: usize) {
        self.faces[face].swap(1, 2);
        if let Some(corners) = &mut self.corners {
            corners[face].swap(1, 2);
        }
    }

    /// Keeps the faces marked.
    pub(super) fn keep_faces(&mut self, keep: &[bool]) {
        let mut marks = keep.iter();
        self.faces.retain(|_| *marks.next().unwrap_or(&false));
        if let Some(corners) = &mut self.corners {
            let mut marks = keep.iter();
            corners.retain(|_| *marks.next().unwrap_or(&false));
        }
    }

    /// A second vertex in the same place.
    pub(super) fn double(&mut self, vertex: u32) -> u32 {
        self.positions.push(self.point(vertex));
        if let Some(colours) = &mut self.colours {
            colours.push(colours[vertex as usize]);
        }
        index(self.positions.len() - 1)
    }

    /// Drops vertices that no face uses, keeping the order of the others.
    pub(super) fn drop_unused(&mut self) {
        let mut number = vec![NONE; self.positions.len()];
        for &v in self.faces.iter().flatten() {
            number[v as usize] = 0;
        }
        let mut used = 0;
        for (vertex, number) in number.iter_mut().enumerate() {
            if *number == NONE {
                continue;
            }
            *number = index(used);
            self.positions[used] = self.positions[vertex];
            if let Some(colours) = &mut self.colours {
                colours[used] = colours[vertex];
            }
            used += 1;
        }
        self.positions.truncate(used);
        if let Some(colours) = &mut self.colours {
            colours.truncate(used);
        }
        for v in self.faces.iter_mut().flatten() {
            *v = number[*v as usize];
        }
    }

    /// The mesh as it stands, checked. Positions and faces stay here too.
    pub(super) fn checked(&self) -> Result<TriMesh, MendError> {
        TriMesh::new(self.positions.clone(), self.faces.clone()).map_err(|fault| {
            MendError::Tangled {
                fault: self.in_file_units(fault),
            }
        })
    }

    fn in_file_units(&self, mut fault: MeshError) -> MeshError {
        if let MeshError::CrowdedEdge { place, .. }
        | MeshError::OppositeTurn { place, .. }
        | MeshError::TwoFans { place, .. } = &mut fault
        {
            *place /= self.mm_per_unit;
        }
        fault
    }

    pub(super) fn finish(self) -> (Option<Paint>, Vec<MendAct>) {
        let paint = match (self.colours, self.corners, self.image) {
            (Some(colours), _, _) => Some(Paint::Vertex(colours)),
            (None, Some(corners), Some(image)) => Some(Paint::Texture { corners, image }),
            _ => None,
        };
        let mut acts = self.acts;
        acts.sort_by_key(|act| act.what);
        (paint, acts)
    }
}
