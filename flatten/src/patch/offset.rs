//! A base that lies outside or inside the scanned face.

use crate::{
    Vector3,
    mesh::{MeshError, index},
};

use super::Patch;

impl Patch {
    /// The patch with every vertex moved along its normal, mm, + outward.
    ///
    /// Normals are the area-weighted means of the neighbouring faces'. Meant for a few millimetres:
    /// hair bulk, or the layers of a mold; a move beyond the head's least radius would fold it.
    ///
    /// # Errors
    /// [`MeshError::NotFinite`] when the offset is not a number.
    pub fn set_off(mut self, offset_mm: f64) -> Result<Self, MeshError> {
        let mut normals = vec![Vector3::zeros(); self.mesh.vertex_count()];
        for (face, corners) in self.mesh.faces().iter().enumerate() {
            let area = self.mesh.area_vector(index(face));
            corners.iter().for_each(|&v| normals[v as usize] += area);
        }
        let moved = self.mesh.positions().iter().zip(&normals);
        let moved = moved
            .map(|(p, normal)| p + offset_mm * normal.try_normalize(0.0).unwrap_or_default())
            .collect();
        self.mesh = self.mesh.with_positions(moved)?;
        Ok(self)
    }
}
