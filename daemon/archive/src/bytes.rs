//! Numbers as bytes: little-endian, and varints as in LEB128 (7 bits a byte, lowest first, the top bit says
//! that more follow). Signed varints are folded first: 0, -1, 1, -2 become 0, 1, 2, 3.

/// Writes onto the end of a buffer.
pub(crate) trait Put {
    fn put(&mut self, bytes: &[u8]);

    fn put_u8(&mut self, value: u8) {
        self.put(&[value]);
    }
    fn put_u16(&mut self, value: u16) {
        self.put(&value.to_le_bytes());
    }
    fn put_u32(&mut self, value: u32) {
        self.put(&value.to_le_bytes());
    }
    fn put_u64(&mut self, value: u64) {
        self.put(&value.to_le_bytes());
    }
    fn put_i64(&mut self, value: i64) {
        self.put(&value.to_le_bytes());
    }
    /// The bit pattern, so that a NaN stays the NaN that it was.
    fn put_f64(&mut self, value: f64) {
        self.put(&value.to_bits().to_le_bytes());
    }
    fn put_varint(&mut self, mut value: u64) {
        while value >= 0x80 {
            self.put_u8(value.to_le_bytes()[0] | 0x80);
            value >>= 7;
        }
        self.put_u8(value.to_le_bytes()[0]);
    }
    fn put_signed(&mut self, value: i64) {
        self.put_varint((value << 1 ^ value >> 63).cast_unsigned());
    }
    fn put_len(&mut self, value: usize) {
        self.put_varint(value as u64);
    }
}

impl Put for Vec<u8> {
    fn put(&mut self, bytes: &[u8]) {
        self.extend_from_slice(bytes);
    }
}

/// Reads from the beginning of a slice; `None` when it ends too early or makes no sense.
#[derive(Clone, Copy)]
pub(crate) struct Take<'a>(pub(crate) &'a [u8]);

impl<'a> Take<'a> {
    pub(crate) fn is_empty(self) -> bool {
        self.0.is_empty()
    }
    pub(crate) fn take(&mut self, count: usize) -> Option<&'a [u8]> {
        let (taken, rest) = self.0.split_at_checked(count)?;
        self.0 = rest;
        Some(taken)
    }
    fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        self.take(N)?.try_into().ok()
    }
    pub(crate) fn u8(&mut self) -> Option<u8> {
        self.array::<1>().map(|[byte]| byte)
    }
    pub(crate) fn u16(&mut self) -> Option<u16> {
        self.array().map(u16::from_le_bytes)
    }
    pub(crate) fn u32(&mut self) -> Option<u32> {
        self.array().map(u32::from_le_bytes)
    }
    pub(crate) fn u64(&mut self) -> Option<u64> {
        self.array().map(u64::from_le_bytes)
    }
    pub(crate) fn i64(&mut self) -> Option<i64> {
        self.array().map(i64::from_le_bytes)
    }
    pub(crate) fn f64(&mut self) -> Option<f64> {
        self.u64().map(f64::from_bits)
    }
    pub(crate) fn varint(&mut self) -> Option<u64> {
        let mut value = 0;
        for shift in (0..64).step_by(7) {
            let byte = self.u8()?;
            let bits = u64::from(byte & 0x7f);
            if shift == 63 && bits > 1 {
                return None;
            }
            value |= bits << shift;
            if byte & 0x80 == 0 {
                return Some(value);
            }
        }
        None
    }
    pub(crate) fn signed(&mut self) -> Option<i64> {
        let folded = self.varint()?;
        Some((folded >> 1).cast_signed() ^ -(folded & 1).cast_signed())
    }
    pub(crate) fn len(&mut self) -> Option<usize> {
        usize::try_from(self.varint()?).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn varints() {
        let mut bytes = Vec::new();
        // 624485 is the worked LEB128 example of the DWARF 5 standard's family: e5 8e 26.
        bytes.put_varint(624_485);
        assert_eq!(bytes, [0xe5, 0x8e, 0x26]);
        let signed = [0, -1, 1, i64::MIN, i64::MAX, -64, 63, 64];
        let unsigned = [0, 127, 128, u64::MAX];
        let mut bytes = Vec::new();
        for value in signed {
            bytes.put_signed(value);
        }
        for value in unsigned {
            bytes.put_varint(value);
        }
        let mut take = Take(&bytes);
        for value in signed {
            assert_eq!(take.signed(), Some(value));
        }
        for value in unsigned {
            assert_eq!(take.varint(), Some(value));
        }
        assert!(take.is_empty() && take.u8().is_none());
        assert_eq!(Take(&[0xff; 11]).varint(), None, "longer than 64 bits");
        assert_eq!(Take(&[0x80]).varint(), None, "ends too early");
    }
}
