//! Tells systemd how the daemon is (the protocol of sd_notify(3): lines in a datagram to the
//! socket that `NOTIFY_SOCKET` names). Without that variable nothing is said.

use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};

/// Sends one message. A service manager that does not listen is no reason to stop.
pub(super) fn say(message: &str) {
    let Ok(name) = std::env::var("NOTIFY_SOCKET") else {
        return;
    };
    let address = match name.strip_prefix('@') {
        Some(name) => SocketAddr::from_abstract_name(name),
        None => SocketAddr::from_pathname(&name),
    };
    if let (Ok(address), Ok(socket)) = (address, UnixDatagram::unbound()) {
        let _ = socket.send_to_addr(message.as_bytes(), &address);
    }
}
