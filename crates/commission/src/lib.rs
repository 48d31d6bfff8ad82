//! Commissioning: what a tag at known places tells about the boards, and what is heard of a kit before it has a site.
#![forbid(unsafe_code)]
