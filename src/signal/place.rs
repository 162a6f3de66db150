//! Where a value lies among a device's registers or bits, and how its bytes are laid out.

/// The four tables of the Modbus data model (Application Protocol V1.1b3, section 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Table {
    /// Read-write bits, function code 01.
    Coil,
    /// Read-only bits, function code 02.
    Discrete,
    /// Read-write registers, function code 03.
    Holding,
    /// Read-only registers, function code 04.
    Input,
}

impl Table {
    /// The function code that reads this table. siskin holds no function that writes.
    pub const fn function(self) -> u8 {
        match self {
            Table::Coil => 1,
            Table::Discrete => 2,
            Table::Holding => 3,
            Table::Input => 4,
        }
    }

    /// True for the two tables of 16-bit registers, false for the two tables of bits.
    pub const fn is_registers(self) -> bool {
        matches!(self, Table::Holding | Table::Input)
    }

    /// The most items one request may ask for: 125 registers or 2000 bits (sections 6.1 to 6.4).
    pub const fn items_max(self) -> u16 {
        if self.is_registers() { 125 } else { 2000 }
    }

    /// The word used in the site file.
    pub const fn word(self) -> &'static str {
        match self {
            Table::Coil => "coil",
            Table::Discrete => "discrete",
            Table::Holding => "holding",
            Table::Input => "input",
        }
    }
}

/// The type of a value as it lies in the registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ValueType {
    /// One bit of a bit table, or bit 0–15 of one register.
    Bool,
    /// 16 bits, unsigned.
    U16,
    /// 16 bits, two's complement.
    I16,
    /// 32 bits, unsigned.
    U32,
    /// 32 bits, two's complement.
    I32,
    /// 64 bits, unsigned.
    U64,
    /// 64 bits, two's complement.
    I64,
    /// IEEE 754 binary32.
    F32,
    /// IEEE 754 binary64.
    F64,
}

impl ValueType {
    /// How many registers (or, in a bit table, bits) the value takes.
    pub const fn width(self) -> u16 {
        match self {
            ValueType::Bool | ValueType::U16 | ValueType::I16 => 1,
            ValueType::U32 | ValueType::I32 | ValueType::F32 => 2,
            ValueType::U64 | ValueType::I64 | ValueType::F64 => 4,
        }
    }

    /// The word used in the site file.
    pub const fn word(self) -> &'static str {
        match self {
            ValueType::Bool => "bool",
            ValueType::U16 => "u16",
            ValueType::I16 => "i16",
            ValueType::U32 => "u32",
            ValueType::I32 => "i32",
            ValueType::U64 => "u64",
            ValueType::I64 => "i64",
            ValueType::F32 => "f32",
            ValueType::F64 => "f64",
        }
    }
}

/// Which half comes first. The standard fixes only the byte order within a register
/// (high byte first, section 4.2); word order is each device's own choice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Order {
    /// Most significant first.
    #[default]
    HighFirst,
    /// Least significant first.
    LowFirst,
}

/// Where one value lies, and how it is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Place {
    /// The table it is read from.
    pub table: Table,
    /// Zero-based address of its first register or bit, as sent on the wire.
    pub address: u16,
    /// The bit (0 = least significant) picked out of one register; only with [`ValueType::Bool`].
    pub bit: Option<u8>,
    /// Its type.
    pub value_type: ValueType,
    /// Order of the registers of a value wider than one.
    pub word_order: Order,
    /// Order of the two bytes within each register.
    pub byte_order: Order,
}

impl Place {
    /// A value with the high register and the high byte first.
    pub const fn new(table: Table, address: u16, value_type: ValueType) -> Self {
        let (word_order, byte_order) = (Order::HighFirst, Order::HighFirst);
        Place { table, address, bit: None, value_type, word_order, byte_order }
    }

    /// The address just past the value. 65536 for a value that ends the table.
    pub fn end(&self) -> u32 {
        u32::from(self.address) + u32::from(self.value_type.width())
    }
}
