//! The only room with `unsafe`: packet sockets, time stamps, netlink, namespaces, tun, capture.
//!
//! Safe functions that own their descriptors; every `unsafe` block has its reason beside it. It must not know checks,
//! readings or judgements.
#![allow(unsafe_code)]

pub mod bound;
pub mod build;
pub mod carry;
pub mod configure;
pub mod cpu;
pub mod datagrams;
pub mod delayline;
pub mod dns_service;
pub mod drive;
pub mod ethtool;
pub mod facts;
pub mod flow_sockets;
pub mod groups;
pub mod http;
pub mod netlink;
pub mod netns;
pub mod nft;
pub mod offload;
pub mod packet;
mod ring;
mod route_socket;
pub mod stamped;
pub mod tagged;
pub mod tc;
pub mod tcp_info;
pub mod tun;
pub mod userns;
