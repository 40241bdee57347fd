//! The run as one HTML file that needs nothing else: no script, no font, no address.
//!
//! Place in the data's path: lays a [`RunView`](super::RunView) out on a writer, in the order of
//! the text report. State shows by shape and word, and by colour besides; light, dark and print
//! each have their palette in `style.css`. Nothing is computed here that another format lacks,
//! except where things stand in the timing diagram.

mod diagram;
mod mark;
mod matrix;
mod page;
mod sections;

pub(super) use page::write;
