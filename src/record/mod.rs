//! Record
