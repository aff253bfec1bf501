"""The use-cases, one function each: the only room that writes records, evidence and journal."""
