//! Which addresses are public. Everything that the registries of special addresses (RFC 6890 and its updates) set apart is not,
//! and of IPv6 only the range that is given out to networks (2000::/3) is.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// First address and prefix length of the ranges of IPv4 that no request may go to.
const SPECIAL_V4: [(Ipv4Addr, u32); 16] = [
    (Ipv4Addr::new(0, 0, 0, 0), 8),
    (Ipv4Addr::new(10, 0, 0, 0), 8),
    // Carriers' own address translation.
    (Ipv4Addr::new(100, 64, 0, 0), 10),
    (Ipv4Addr::new(127, 0, 0, 0), 8),
    (Ipv4Addr::new(169, 254, 0, 0), 16),
    (Ipv4Addr::new(172, 16, 0, 0), 12),
    (Ipv4Addr::new(192, 0, 0, 0), 24),
    // Documentation.
    (Ipv4Addr::new(192, 0, 2, 0), 24),
    // Once a relay between IPv4 and IPv6.
    (Ipv4Addr::new(192, 88, 99, 0), 24),
    (Ipv4Addr::new(192, 168, 0, 0), 16),
    // Measurements between networks.
    (Ipv4Addr::new(198, 18, 0, 0), 15),
    // Documentation.
    (Ipv4Addr::new(198, 51, 100, 0), 24),
    (Ipv4Addr::new(203, 0, 113, 0), 24),
    // Multicast, reserved, broadcast.
    (Ipv4Addr::new(224, 0, 0, 0), 4),
    (Ipv4Addr::new(240, 0, 0, 0), 4),
    (Ipv4Addr::new(255, 255, 255, 255), 32),
];

/// The ranges within 2000::/3 that no request may go to.
const SPECIAL_V6: [(Ipv6Addr, u32); 4] = [
    // Tunnels, measurements, identifiers that are no addresses.
    (Ipv6Addr::new(0x2001, 0, 0, 0, 0, 0, 0, 0), 23),
    // Documentation.
    (Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 0), 32),
    (Ipv6Addr::new(0x3fff, 0, 0, 0, 0, 0, 0, 0), 20),
    // IPv4 addresses, private ones too, inside of IPv6.
    (Ipv6Addr::new(0x2002, 0, 0, 0, 0, 0, 0, 0), 16),
];

/// Whether a request may go to this address without the operator's word.
pub fn is_public(address: IpAddr) -> bool {
    match address {
        IpAddr::V4(v4) => public_v4(v4),
        IpAddr::V6(v6) => public_v6(v6),
    }
}

fn public_v4(address: Ipv4Addr) -> bool {
    let bits = address.to_bits();
    !SPECIAL_V4
        .iter()
        .any(|(first, length)| (bits ^ first.to_bits()) >> (32 - length) == 0)
}

fn public_v6(address: Ipv6Addr) -> bool {
    if let Some(v4) = address.to_ipv4_mapped() {
        return public_v4(v4);
    }
    let bits = address.to_bits();
    // Networks without IPv4 reach it through this prefix; what counts is the address behind it.
    if bits >> 32 == NAT64 {
        return public_v4(Ipv4Addr::from_bits((bits & 0xffff_ffff) as u32));
    }
    bits >> 125 == 1
        && !SPECIAL_V6
            .iter()
            .any(|(first, length)| (bits ^ first.to_bits()) >> (128 - length) == 0)
}

/// 64:ff9b::/96 without its last 32 bits.
const NAT64: u128 = 0x0064_ff9b_0000_0000_0000_0000;

#[cfg(test)]
mod tests {
    use super::*;

    // Ranges: the IANA registries of special-purpose addresses for IPv4 and IPv6 (RFC 6890, 8190, 9637), from memory.
    #[test]
    fn special_ranges_are_refused_to_their_last_address_and_their_neighbours_are_not() {
        let special = [
            ("0.0.0.0", "0.255.255.255"),
            ("10.0.0.0", "10.255.255.255"),
            ("100.64.0.0", "100.127.255.255"),
            ("127.0.0.0", "127.255.255.255"),
            ("169.254.0.0", "169.254.255.255"),
            ("172.16.0.0", "172.31.255.255"),
            ("192.0.0.0", "192.0.0.255"),
            ("192.0.2.0", "192.0.2.255"),
            ("192.168.0.0", "192.168.255.255"),
            ("198.18.0.0", "198.19.255.255"),
            ("198.51.100.0", "198.51.100.255"),
            ("203.0.113.0", "203.0.113.255"),
            ("224.0.0.0", "255.255.255.255"),
            ("::", "::1"),
            ("::ffff:10.0.0.0", "::ffff:10.255.255.255"),
            ("::ffff:127.0.0.1", "::ffff:127.0.0.1"),
            ("64:ff9b::7f00:1", "64:ff9b::7f00:1"),
            ("64:ff9b:1::", "64:ff9b:1:ffff:ffff:ffff:ffff:ffff"),
            ("100::", "100::ffff:ffff:ffff:ffff"),
            ("2001::", "2001:1ff:ffff:ffff:ffff:ffff:ffff:ffff"),
            ("2001:db8::", "2001:db8:ffff:ffff:ffff:ffff:ffff:ffff"),
            ("2002::", "2002:ffff:ffff:ffff:ffff:ffff:ffff:ffff"),
            ("3fff::", "3fff:fff:ffff:ffff:ffff:ffff:ffff:ffff"),
            ("5f00::", "5f00:ffff:ffff:ffff:ffff:ffff:ffff:ffff"),
            ("fc00::", "fdff:ffff:ffff:ffff:ffff:ffff:ffff:ffff"),
            ("fe80::", "febf:ffff:ffff:ffff:ffff:ffff:ffff:ffff"),
            ("fec0::", "feff:ffff:ffff:ffff:ffff:ffff:ffff:ffff"),
            ("ff00::", "ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff"),
        ];
        for (first, last) in special {
            for address in [first, last] {
                assert!(!is_public(address.parse().unwrap()), "{address}");
            }
        }
        let public = [
            "1.0.0.0",
            "9.255.255.255",
            "11.0.0.0",
            "100.63.255.255",
            "100.128.0.0",
            "126.255.255.255",
            "128.0.0.0",
            "169.253.255.255",
            "169.255.0.0",
            "172.15.255.255",
            "172.32.0.0",
            "192.0.1.0",
            "192.0.3.0",
            "192.167.255.255",
            "192.169.0.0",
            "198.17.255.255",
            "198.20.0.0",
            "203.0.112.255",
            "203.0.114.0",
            "223.255.255.255",
            "::ffff:9.9.9.9",
            "64:ff9b::909:909",
            "2000::",
            "2001:200::",
            "2001:db7:ffff:ffff:ffff:ffff:ffff:ffff",
            "2001:db9::",
            "2003::",
            "2a00::1",
            "3ffe:ffff:ffff:ffff:ffff:ffff:ffff:ffff",
        ];
        for address in public {
            assert!(is_public(address.parse().unwrap()), "{address}");
        }
    }

    // Rust's own tests for special addresses are written independently of this table.
    #[test]
    fn whatever_the_standard_library_calls_private_is_refused() {
        let mut state = 0x9e37_79b9_7f4a_7c15_u64;
        for _ in 0..200_000 {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let v4 = Ipv4Addr::from_bits((state >> 16) as u32);
            let special = v4.is_private()
                || v4.is_loopback()
                || v4.is_link_local()
                || v4.is_broadcast()
                || v4.is_documentation()
                || v4.is_multicast()
                || v4.is_unspecified();
            assert!(!(special && is_public(v4.into())), "{v4}");
            let v6 = Ipv6Addr::from_bits(u128::from(state).rotate_left((state % 128) as u32));
            let special = v6.is_loopback()
                || v6.is_unspecified()
                || v6.is_unique_local()
                || v6.is_unicast_link_local()
                || v6.is_multicast();
            assert!(!(special && is_public(v6.into())), "{v6}");
        }
    }
}
