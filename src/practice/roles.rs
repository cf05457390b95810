//! What runs on the practice line: services in threads of their own, each ended and joined when it is dropped.

pub mod dhcp;
pub mod dns;
pub mod far_end;
pub mod router;
