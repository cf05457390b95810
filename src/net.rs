//! The only room with `unsafe`: packet sockets, time stamps, netlink, namespaces, tun, capture.
//!
//! Safe functions that own their descriptors; every `unsafe` block has its reason beside it. It must not know checks,
//! readings or judgements.
#![allow(unsafe_code)]

pub mod bound;
pub mod build;
pub mod configure;
pub mod cpu;
pub mod delayline;
pub mod dns_service;
pub mod drive;
pub mod ethtool;
pub mod facts;
pub mod http;
pub mod netlink;
pub mod netns;
pub mod nft;
mod offload;
pub mod packet;
mod route_socket;
pub mod stamped;
pub mod tc;
pub mod tcp_info;
pub mod userns;
