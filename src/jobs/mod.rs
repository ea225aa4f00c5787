//! What happens by itself.
