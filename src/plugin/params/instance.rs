//! The parameters of an instance that the framework makes and keeps to itself.

use super::CrestlineParams;
use std::cell::RefCell;
use std::sync::{Arc, Weak};

thread_local! {
    /// Those last made on this thread.
    static LAST: RefCell<Weak<CrestlineParams>> = const { RefCell::new(Weak::new()) };
}

impl CrestlineParams {
    /// Parameters for a new instance.
    pub fn for_instance() -> Arc<Self> {
        let params = Arc::new(Self::default());
        LAST.with(|last| *last.borrow_mut() = Arc::downgrade(&params));
        params
    }

    /// What `make` makes, and the parameters of the instance within it. They are others, and
    /// nobody's, if it makes none on this thread.
    pub fn of_made<T>(make: impl FnOnce() -> T) -> (T, Arc<Self>) {
        let made = make();
        let params = LAST.with(|last| last.take().upgrade());
        (made, params.unwrap_or_default())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_instance_is_found_with_its_own_parameters() {
        let (one, of_one) = CrestlineParams::of_made(CrestlineParams::for_instance);
        let (other, of_other) = CrestlineParams::of_made(CrestlineParams::for_instance);
        assert!(Arc::ptr_eq(&one, &of_one) && Arc::ptr_eq(&other, &of_other));
        assert!(!Arc::ptr_eq(&one, &CrestlineParams::of_made(|| ()).1));
    }
}
