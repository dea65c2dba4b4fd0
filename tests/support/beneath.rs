//! Forwarding for volumes in tests: the operations that a test's volume leaves to the volume beneath it are listed,
//! instead of written out in each test. Adds no behaviour of its own.

/// Within `impl Volume for ...`: forwards these operations to the volume in that field.
macro_rules! as_beneath {
    ($beneath:ident: $($operation:ident),+ $(,)?) => { $(as_beneath!(@ $operation $beneath);)+ };
    (@ facts $beneath:ident) => {
        fn facts(&self) -> &counterfoil::disk::VolumeFacts {
            self.$beneath.facts()
        }
    };
    (@ present $beneath:ident) => {
        fn present(&self) -> Result<(), counterfoil::disk::DiskError> {
            self.$beneath.present()
        }
    };
    (@ room $beneath:ident) => {
        fn room(&self) -> Result<u64, counterfoil::disk::DiskError> {
            self.$beneath.room()
        }
    };
    (@ make_dir $beneath:ident) => {
        fn make_dir(
            &self,
            at: &counterfoil::model::RelName,
        ) -> Result<(), counterfoil::disk::DiskError> {
            self.$beneath.make_dir(at)
        }
    };
    (@ list $beneath:ident) => {
        fn list(
            &self,
            at: &counterfoil::model::RelName,
            most: usize,
        ) -> Result<Vec<counterfoil::disk::Entry>, counterfoil::disk::DiskError> {
            self.$beneath.list(at, most)
        }
    };
    (@ length $beneath:ident) => {
        fn length(
            &self,
            at: &counterfoil::model::RelName,
        ) -> Result<Option<u64>, counterfoil::disk::DiskError> {
            self.$beneath.length(at)
        }
    };
    (@ create $beneath:ident) => {
        fn create(
            &self,
            at: &counterfoil::model::RelName,
        ) -> Result<Box<dyn counterfoil::disk::Sink>, counterfoil::disk::DiskError> {
            self.$beneath.create(at)
        }
    };
    (@ write_synced $beneath:ident) => {
        fn write_synced(
            &self,
            at: &counterfoil::model::RelName,
            offset: u64,
            bytes: &[u8],
        ) -> Result<(), counterfoil::disk::DiskError> {
            self.$beneath.write_synced(at, offset, bytes)
        }
    };
    (@ reserve $beneath:ident) => {
        fn reserve(
            &self,
            at: &counterfoil::model::RelName,
            length: u64,
        ) -> Result<(), counterfoil::disk::DiskError> {
            self.$beneath.reserve(at, length)
        }
    };
    (@ sync_all $beneath:ident) => {
        fn sync_all(&self) -> Result<(), counterfoil::disk::DiskError> {
            self.$beneath.sync_all()
        }
    };
    (@ read $beneath:ident) => {
        fn read(
            &self,
            at: &counterfoil::model::RelName,
            offset: u64,
            from: counterfoil::disk::ReadFrom,
        ) -> Result<Box<dyn counterfoil::disk::Source>, counterfoil::disk::DiskError> {
            self.$beneath.read(at, offset, from)
        }
    };
    (@ remove $beneath:ident) => {
        fn remove(
            &self,
            at: &counterfoil::model::RelName,
        ) -> Result<(), counterfoil::disk::DiskError> {
            self.$beneath.remove(at)
        }
    };
}
