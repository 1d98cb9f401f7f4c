#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| pacewright_fuzz::sensor_senml(bytes));
