//! Triangles as a scanner or phone wrote them.

use image::RgbImage;

use crate::Point3;

/// A scan as read: nothing welded, nothing checked, coordinates in the file's own unit.
#[derive(Debug, Clone, Default)]
pub struct RawScan {
    /// Vertex positions in the file's unit.
    pub positions: Vec<Point3>,
    /// Triangles; polygons have been split.
    pub faces: Vec<[u32; 3]>,
    /// Colours, when the file has any.
    pub paint: Option<Paint>,
}

/// Colour on a surface.
#[derive(Debug, Clone)]
pub enum Paint {
    /// One sRGB colour a vertex, parallel to the positions.
    Vertex(Vec<[u8; 3]>),
    /// A picture and, for each face, where its corners lie on it.
    Texture {
        /// Texture coordinates of each face's corners, (0, 0) at the picture's lower left.
        corners: Vec<[[f32; 2]; 3]>,
        /// The picture.
        image: RgbImage,
    },
}
