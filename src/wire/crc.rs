//! CRC-16/MODBUS: the check sum of a frame on a serial line.
//!
//! Polynomial 0x8005 taken from the low bit (0xA001), start value 0xFFFF, no final inversion. It
//! goes onto the wire low byte first, unlike every other 16-bit value of Modbus.

const POLYNOMIAL_REFLECTED: u16 = 0xA001;

const TABLE: [u16; 256] = {
    let mut table = [0; 256];
    let mut index = 0;
    while index < 256 {
        let mut remainder = index as u16;
        let mut bit = 0;
        while bit < 8 {
            let low = remainder & 1;
            remainder >>= 1;
            if low == 1 {
                remainder ^= POLYNOMIAL_REFLECTED;
            }
            bit += 1;
        }
        table[index] = remainder;
        index += 1;
    }
    table
};

/// The check sum of these bytes.
#[must_use]
pub fn crc16_modbus(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |sum, byte| {
        (sum >> 8) ^ TABLE[usize::from(sum as u8 ^ byte)]
    })
}

/// A frame whose last two bytes are the check sum of all before them.
pub(super) fn has_good_crc(frame: &[u8]) -> bool {
    // The sum over a frame with its own sum behind it is 0.
    frame.len() > 2 && crc16_modbus(frame) == 0
}

/// Puts the check sum behind the bytes.
pub(super) fn with_crc(mut bytes: Vec<u8>) -> Vec<u8> {
    let sum = crc16_modbus(&bytes);
    bytes.extend(sum.to_le_bytes());
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn check_value_of_the_published_catalogue() {
        // CRC-16/MODBUS, check value in the catalogue of parametrised CRC algorithms.
        assert_eq!(crc16_modbus(b"123456789"), 0x4B37);
    }

    #[test]
    fn example_of_the_serial_line_guide() {
        // Modbus over serial line V1.02, 6.2.2: 02 07 gives 0x1241, sent as 41 12.
        assert_eq!(crc16_modbus(&[0x02, 0x07]), 0x1241);
        assert_eq!(with_crc(vec![0x02, 0x07]), [0x02, 0x07, 0x41, 0x12]);
        assert!(has_good_crc(&[0x02, 0x07, 0x41, 0x12]));
        assert!(!has_good_crc(&[0x02, 0x07, 0x12, 0x41]));
    }
}
