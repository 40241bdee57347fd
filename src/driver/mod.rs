//! F3: ports opened, bytes moved, device traits implemented.
