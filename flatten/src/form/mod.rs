//! form.
