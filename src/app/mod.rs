//! F5: the only place that joins the floors.
