//! How the archive is doing.

/// How the archive is doing, for every surface that people look at.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Health {
    /// Everything that is handed in reaches the disk.
    pub ok: bool,
    /// What is wrong, in words; empty when all is well.
    pub text: String,
    /// Rows dropped since opening, because the disk was full or failed for too long.
    pub dropped_rows: u64,
    /// Rows in memory that wait to be packed.
    pub waiting_rows: u64,
    /// Journal entries and small records that wait for [`Writer::commit`](crate::Writer::commit). Never dropped.
    pub pending_journal: u64,
    /// Bytes free for the daemon on the archive's file system.
    pub free_bytes: u64,
    /// Damaged places met since opening.
    pub damaged: u64,
}
