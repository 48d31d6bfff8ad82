//! Every checksum that a layout may name: `sum8`, `xor8` and the 8, 16 and 32 bit entries of the
//! public catalogue of parametrised CRC algorithms (G. Cook), as the crate `crc-catalog` carries
//! them. Names are the catalogue's, in lower case.
//!
//! A [`ChecksumAlgorithm`] is a row of the table and costs nothing; [`ChecksumAlgorithm::build`]
//! makes the look-up table once, and the [`Checksum`] that comes back is cheap to clone.

use std::fmt;
use std::sync::Arc;

use crc::{Crc, Table};
use crc_catalog::Algorithm;

/// How one checksum is computed.
#[derive(Clone, Copy, Debug)]
enum Recipe {
    Sum8,
    Xor8,
    Crc8(&'static Algorithm<u8>),
    Crc16(&'static Algorithm<u16>),
    Crc32(&'static Algorithm<u32>),
}

/// Order of the bytes of a number in the frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByteOrder {
    /// Low byte first (`le`).
    LowFirst,
    /// High byte first (`be`).
    HighFirst,
}

/// One row of the table of supported checksums.
#[derive(Clone, Copy, Debug)]
pub struct ChecksumAlgorithm {
    name: &'static str,
    recipe: Recipe,
}

impl ChecksumAlgorithm {
    /// The name as written in a layout, in lower case: `sum8`, `crc-16/modbus`.
    pub const fn name(&self) -> &'static str {
        self.name
    }

    /// Number of bytes that the checksum takes in a frame: 1, 2 or 4.
    pub const fn bytes(&self) -> usize {
        match self.recipe {
            Recipe::Sum8 | Recipe::Xor8 | Recipe::Crc8(_) => 1,
            Recipe::Crc16(_) => 2,
            Recipe::Crc32(_) => 4,
        }
    }

    /// The order of its bytes when the layout does not say: low byte first for a reflected CRC,
    /// else high byte first. A CRC goes over the line in the order in which it is shifted out
    /// (common practice, no source).
    pub const fn default_order(&self) -> ByteOrder {
        let reflected = match self.recipe {
            Recipe::Sum8 | Recipe::Xor8 => true,
            Recipe::Crc8(a) => a.refout,
            Recipe::Crc16(a) => a.refout,
            Recipe::Crc32(a) => a.refout,
        };
        if reflected { ByteOrder::LowFirst } else { ByteOrder::HighFirst }
    }

    /// The value for the input ASCII `123456789`: the catalogue's `check` column.
    pub const fn check(&self) -> u32 {
        match self.recipe {
            // 0x31 + … + 0x39 = 477 = 0x1DD; the XOR of the nine digits is 0x31.
            Recipe::Sum8 => 0xDD,
            Recipe::Xor8 => 0x31,
            Recipe::Crc8(a) => a.check as u32,
            Recipe::Crc16(a) => a.check as u32,
            Recipe::Crc32(a) => a.check,
        }
    }

    /// Makes the look-up table.
    pub fn build(&'static self) -> Checksum {
        let engine = match self.recipe {
            Recipe::Sum8 => Engine::Sum8,
            Recipe::Xor8 => Engine::Xor8,
            Recipe::Crc8(a) => Engine::Crc8(Arc::new(Crc::<u8, Table<1>>::new(a))),
            Recipe::Crc16(a) => Engine::Crc16(Arc::new(Crc::<u16, Table<1>>::new(a))),
            Recipe::Crc32(a) => Engine::Crc32(Arc::new(Crc::<u32, Table<1>>::new(a))),
        };
        Checksum { algorithm: self, engine }
    }
}

/// All supported checksums: the two sums first, then the CRCs by width and name.
pub fn checksum_algorithms() -> &'static [ChecksumAlgorithm] {
    &ALGORITHMS
}

/// The checksum of that name; case does not matter.
pub fn checksum_named(name: &str) -> Option<&'static ChecksumAlgorithm> {
    ALGORITHMS.iter().find(|a| a.name.eq_ignore_ascii_case(name))
}

/// A checksum with its look-up table ready.
#[derive(Clone)]
pub struct Checksum {
    algorithm: &'static ChecksumAlgorithm,
    engine: Engine,
}

#[derive(Clone)]
enum Engine {
    Sum8,
    Xor8,
    Crc8(Arc<Crc<u8, Table<1>>>),
    Crc16(Arc<Crc<u16, Table<1>>>),
    Crc32(Arc<Crc<u32, Table<1>>>),
}

impl Checksum {
    /// Which checksum this is.
    pub fn algorithm(&self) -> &'static ChecksumAlgorithm {
        self.algorithm
    }

    /// The checksum of `bytes`; narrower ones in the low bits.
    pub fn of(&self, bytes: &[u8]) -> u32 {
        match &self.engine {
            Engine::Sum8 => u32::from(bytes.iter().fold(0_u8, |sum, &b| sum.wrapping_add(b))),
            Engine::Xor8 => u32::from(bytes.iter().fold(0_u8, |sum, &b| sum ^ b)),
            Engine::Crc8(crc) => u32::from(crc.checksum(bytes)),
            Engine::Crc16(crc) => u32::from(crc.checksum(bytes)),
            Engine::Crc32(crc) => crc.checksum(bytes),
        }
    }
}

impl fmt::Debug for Checksum {
    /// The name; the look-up table would fill pages.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Checksum").field(&self.algorithm.name).finish()
    }
}

const fn crc8(name: &'static str, a: &'static Algorithm<u8>) -> ChecksumAlgorithm {
    ChecksumAlgorithm { name, recipe: Recipe::Crc8(a) }
}

const fn crc16(name: &'static str, a: &'static Algorithm<u16>) -> ChecksumAlgorithm {
    ChecksumAlgorithm { name, recipe: Recipe::Crc16(a) }
}

const fn crc32(name: &'static str, a: &'static Algorithm<u32>) -> ChecksumAlgorithm {
    ChecksumAlgorithm { name, recipe: Recipe::Crc32(a) }
}

static ALGORITHMS: [ChecksumAlgorithm; 65] = [
    ChecksumAlgorithm { name: "sum8", recipe: Recipe::Sum8 },
    ChecksumAlgorithm { name: "xor8", recipe: Recipe::Xor8 },
    crc8("crc-8/autosar", &crc_catalog::CRC_8_AUTOSAR),
    crc8("crc-8/bluetooth", &crc_catalog::CRC_8_BLUETOOTH),
    crc8("crc-8/cdma2000", &crc_catalog::CRC_8_CDMA2000),
    crc8("crc-8/darc", &crc_catalog::CRC_8_DARC),
    crc8("crc-8/dvb-s2", &crc_catalog::CRC_8_DVB_S2),
    crc8("crc-8/gsm-a", &crc_catalog::CRC_8_GSM_A),
    crc8("crc-8/gsm-b", &crc_catalog::CRC_8_GSM_B),
    crc8("crc-8/hitag", &crc_catalog::CRC_8_HITAG),
    crc8("crc-8/i-432-1", &crc_catalog::CRC_8_I_432_1),
    crc8("crc-8/i-code", &crc_catalog::CRC_8_I_CODE),
    crc8("crc-8/lte", &crc_catalog::CRC_8_LTE),
    crc8("crc-8/maxim-dow", &crc_catalog::CRC_8_MAXIM_DOW),
    crc8("crc-8/mifare-mad", &crc_catalog::CRC_8_MIFARE_MAD),
    crc8("crc-8/nrsc-5", &crc_catalog::CRC_8_NRSC_5),
    crc8("crc-8/opensafety", &crc_catalog::CRC_8_OPENSAFETY),
    crc8("crc-8/rohc", &crc_catalog::CRC_8_ROHC),
    crc8("crc-8/sae-j1850", &crc_catalog::CRC_8_SAE_J1850),
    crc8("crc-8/smbus", &crc_catalog::CRC_8_SMBUS),
    crc8("crc-8/tech-3250", &crc_catalog::CRC_8_TECH_3250),
    crc8("crc-8/wcdma", &crc_catalog::CRC_8_WCDMA),
    crc16("crc-16/arc", &crc_catalog::CRC_16_ARC),
    crc16("crc-16/cdma2000", &crc_catalog::CRC_16_CDMA2000),
    crc16("crc-16/cms", &crc_catalog::CRC_16_CMS),
    crc16("crc-16/dds-110", &crc_catalog::CRC_16_DDS_110),
    crc16("crc-16/dect-r", &crc_catalog::CRC_16_DECT_R),
    crc16("crc-16/dect-x", &crc_catalog::CRC_16_DECT_X),
    crc16("crc-16/dnp", &crc_catalog::CRC_16_DNP),
    crc16("crc-16/en-13757", &crc_catalog::CRC_16_EN_13757),
    crc16("crc-16/genibus", &crc_catalog::CRC_16_GENIBUS),
    crc16("crc-16/gsm", &crc_catalog::CRC_16_GSM),
    crc16("crc-16/ibm-3740", &crc_catalog::CRC_16_IBM_3740),
    crc16("crc-16/ibm-sdlc", &crc_catalog::CRC_16_IBM_SDLC),
    crc16("crc-16/iso-iec-14443-3-a", &crc_catalog::CRC_16_ISO_IEC_14443_3_A),
    crc16("crc-16/kermit", &crc_catalog::CRC_16_KERMIT),
    crc16("crc-16/lj1200", &crc_catalog::CRC_16_LJ1200),
    crc16("crc-16/m17", &crc_catalog::CRC_16_M17),
    crc16("crc-16/maxim-dow", &crc_catalog::CRC_16_MAXIM_DOW),
    crc16("crc-16/mcrf4xx", &crc_catalog::CRC_16_MCRF4XX),
    crc16("crc-16/modbus", &crc_catalog::CRC_16_MODBUS),
    crc16("crc-16/nrsc-5", &crc_catalog::CRC_16_NRSC_5),
    crc16("crc-16/opensafety-a", &crc_catalog::CRC_16_OPENSAFETY_A),
    crc16("crc-16/opensafety-b", &crc_catalog::CRC_16_OPENSAFETY_B),
    crc16("crc-16/profibus", &crc_catalog::CRC_16_PROFIBUS),
    crc16("crc-16/riello", &crc_catalog::CRC_16_RIELLO),
    crc16("crc-16/spi-fujitsu", &crc_catalog::CRC_16_SPI_FUJITSU),
    crc16("crc-16/t10-dif", &crc_catalog::CRC_16_T10_DIF),
    crc16("crc-16/teledisk", &crc_catalog::CRC_16_TELEDISK),
    crc16("crc-16/tms37157", &crc_catalog::CRC_16_TMS37157),
    crc16("crc-16/umts", &crc_catalog::CRC_16_UMTS),
    crc16("crc-16/usb", &crc_catalog::CRC_16_USB),
    crc16("crc-16/xmodem", &crc_catalog::CRC_16_XMODEM),
    crc32("crc-32/aixm", &crc_catalog::CRC_32_AIXM),
    crc32("crc-32/autosar", &crc_catalog::CRC_32_AUTOSAR),
    crc32("crc-32/base91-d", &crc_catalog::CRC_32_BASE91_D),
    crc32("crc-32/bzip2", &crc_catalog::CRC_32_BZIP2),
    crc32("crc-32/cd-rom-edc", &crc_catalog::CRC_32_CD_ROM_EDC),
    crc32("crc-32/cksum", &crc_catalog::CRC_32_CKSUM),
    crc32("crc-32/iscsi", &crc_catalog::CRC_32_ISCSI),
    crc32("crc-32/iso-hdlc", &crc_catalog::CRC_32_ISO_HDLC),
    crc32("crc-32/jamcrc", &crc_catalog::CRC_32_JAMCRC),
    crc32("crc-32/mef", &crc_catalog::CRC_32_MEF),
    crc32("crc-32/mpeg-2", &crc_catalog::CRC_32_MPEG_2),
    crc32("crc-32/xfer", &crc_catalog::CRC_32_XFER),
];

#[cfg(test)]
mod tests;
