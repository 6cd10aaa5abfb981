//! The average adult head, as numbers.
//!
//! Fitted by `tests/reference/head_form.py` to the average scalp of PyPI `mne` 1.13.2
//! (`fsaverage-head.fif`, BSD-3-Clause), scaled by 0.954 to a girth of 574 mm: the mean of the men in
//! the 2012 US Army survey (Gordon et al. 2014, NATICK/TR-15/007). Its length then is average and its
//! breadth on the large side of average: template space is wider than living heads.
//!
//! Residual along the radius over 910 cm² above a plane from just above the nasion to below the nape:
//! rms 0.82 mm; max 5.2 mm, at the very edge behind the ears and on the neck. Below that plane (face
//! and neck) the surface only closes smoothly and means nothing.

use super::harmonics::TERMS;

/// Coefficients of the radius, mm, by degree and order.
pub(super) const RADIUS: [f64; TERMS] = [
    346.793, //
    -14.098, -3.827, //
    27.890, 1.209, 18.826, //
    -11.847, -7.932, -0.120, 1.163, //
    2.472, 3.120, 0.278, 3.248, -0.890, //
    -0.892, -3.729, -1.113, -0.731, 0.783, -0.635, //
    -0.099, 1.275, 1.527, 1.778, -0.657, 0.116, -0.507,
];
