//! Check values: RevEng catalogue of parametrised CRC algorithms (G. Cook), `check` column, unless
//! another source is named beside the value.

use super::*;

fn of(name: &str, bytes: &[u8]) -> u32 {
    checksum_named(name).unwrap().build().of(bytes)
}

#[test]
fn the_catalogue_check_values_come_out() {
    let table = [
        ("crc-8/smbus", 0xF4),
        ("crc-8/maxim-dow", 0xA1),
        ("crc-16/ibm-3740", 0x29B1),
        ("crc-16/xmodem", 0x31C3),
        ("crc-16/modbus", 0x4B37),
        ("crc-16/kermit", 0x2189),
        ("crc-16/arc", 0xBB3D),
        ("crc-16/ibm-sdlc", 0x906E),
        ("crc-32/iso-hdlc", 0xCBF4_3926),
        ("crc-32/iscsi", 0xE306_9283),
        ("crc-32/bzip2", 0xFC89_1918),
        // Plain arithmetic: 477 mod 256, and the digits XORed by hand.
        ("sum8", 0xDD),
        ("xor8", 0x31),
    ];
    for (name, value) in table {
        assert_eq!(of(name, b"123456789"), value, "{name}");
        assert_eq!(checksum_named(name).unwrap().check(), value, "{name}");
    }
}

#[test]
fn every_row_computes_its_own_check_value_and_has_a_name_of_its_own() {
    for (i, row) in checksum_algorithms().iter().enumerate() {
        assert_eq!(row.build().of(b"123456789"), row.check(), "{}", row.name());
        assert!(checksum_algorithms()[..i].iter().all(|other| other.name() != row.name()), "{}", row.name());
        assert_eq!(row.name(), row.name().to_lowercase());
    }
    // 20 + 31 + 12 entries of these widths in the catalogue as of crc-catalog 2.5, and the two sums.
    assert_eq!(checksum_algorithms().len(), 65);
}

#[test]
fn crc_32c_of_the_iscsi_examples() {
    // RFC 3720, appendix B.4 (read from memory, recomputed by bitwise code).
    let rising: Vec<u8> = (0..32).collect();
    let falling: Vec<u8> = (0..32).rev().collect();
    assert_eq!(of("crc-32/iscsi", &[0; 32]), 0x8A91_36AA);
    assert_eq!(of("crc-32/iscsi", &[0xFF; 32]), 0x62A8_AB43);
    assert_eq!(of("crc-32/iscsi", &rising), 0x46DD_794E);
    assert_eq!(of("crc-32/iscsi", &falling), 0x113F_DB5C);
}

#[test]
fn names_match_without_regard_to_case_and_unknown_ones_are_not_found() {
    assert_eq!(checksum_named("CRC-16/Modbus").unwrap().name(), "crc-16/modbus");
    assert!(checksum_named("crc-16").is_none());
    assert!(checksum_named("").is_none());
}

#[test]
fn reflected_sums_go_low_byte_first() {
    // CRC-16/MODBUS is reflected, CRC-16/XMODEM is not: `refout` of the catalogue.
    assert_eq!(checksum_named("crc-16/modbus").unwrap().default_order(), ByteOrder::LowFirst);
    assert_eq!(checksum_named("crc-16/xmodem").unwrap().default_order(), ByteOrder::HighFirst);
    assert_eq!(checksum_named("crc-32/iso-hdlc").unwrap().bytes(), 4);
}
