//! The JSON shape of what is known: a contract with everybody who reads siskin.
