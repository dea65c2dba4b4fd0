//! Reads a message from the card, once: what it is, what its headers say, and its bytes. Decides nothing.

use super::headers;
use crate::disk::{Chunks, DiskError, MailboxDir, PrefixHash};
use crate::job::catalogue::{FileRow, NewFile};
use crate::model::limits::{HEADER_BYTES, NUL_BLOCK_BYTES, NUL_TAIL_BYTES};
use crate::model::message::FileFacts;
use crate::model::{Hasher, Identity, RelName};
use std::sync::Arc;

/// A message as it was read.
pub(super) enum MessageRead {
    /// The message, its last bytes, and all its bytes if they fit into one buffer.
    Whole(NewFile, Vec<u8>, Option<Arc<[u8]>>),
    /// The file has changed since it was first seen.
    Changed(FileFacts),
}

/// Reads a message whole, if it is still as its row says, and stays so.
pub(super) fn read_message(
    dir: &MailboxDir,
    path: &RelName,
    row: &FileRow,
    before: Option<Identity>,
) -> Result<MessageRead, DiskError> {
    let mut file = dir.open_seen_message(path)?;
    let facts = file.facts_at_open();
    if !row.file_stat().has_facts(&facts) {
        return Ok(MessageRead::Changed(facts));
    }
    let mut hasher = Hasher::default();
    let mut start = Vec::new();
    let mut end: Vec<u8> = Vec::new();
    let mut whole = None;
    let mut has_nul_block = false;
    let before_it = before.filter(|before| (1..facts.bytes).contains(&before.bytes));
    let mut prefix = PrefixHash::new(before_it.map_or(0, |before| before.bytes));
    let (mut pieces, mut piece) = (Chunks::new(&mut file, facts.bytes), Vec::new());
    while pieces.next(&mut piece)? {
        hasher.update(&piece);
        if pieces.is_at_end() && pieces.offset() == piece.len() as u64 {
            whole = Some(Arc::from(piece.as_slice()));
        }
        prefix.update(&piece);
        has_nul_block |= any_nul_block(&piece);
        start.extend_from_slice(&piece[..piece.len().min(HEADER_BYTES - start.len())]);
        end.extend_from_slice(&piece[piece.len().saturating_sub(NUL_TAIL_BYTES)..]);
        end.drain(..end.len().saturating_sub(NUL_TAIL_BYTES));
    }
    let identity = hasher.finish();
    let now = file.current_facts()?;
    if identity.bytes != facts.bytes || now != facts {
        return Ok(MessageRead::Changed(now));
    }
    let (headers, sizes) = headers::read_with_sizes(&start, identity.bytes);
    // Every message begins empty: this file was created before it was filled.
    let was_empty = before.is_some_and(|before| before.bytes == 0);
    let continues = was_empty
        || headers.message_id.is_empty()
            && before_it.is_some_and(|before| prefix.finish() == before);
    let suspect = None;
    Ok(MessageRead::Whole(
        NewFile { identity, headers, size_breakdown: sizes, suspect, continues, has_nul_block },
        end,
        whole,
    ))
}

/// Whether any whole block is NUL; `bytes` begin at a block boundary.
pub(in crate::job) fn any_nul_block(bytes: &[u8]) -> bool {
    bytes.chunks_exact(NUL_BLOCK_BYTES).any(|block| block.iter().all(|&b| b == 0))
}
