"""Bytes: folders, zips, the kind of a file, safe XML, tables of text, words for units."""
