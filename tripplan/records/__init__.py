"""
What was found in the field, taken into the records and safely kept.

What somebody told (`told`, `results_file`) is held against the files (`changes`, `doubts`, `pack_book`),
turned into bytes that leave everything else of the user's files alone (`csv_text`, `prepare`), and written
with its entry in the journal as one step (`commit`, `journal`). `trips` knows planned trips of which
nothing has been told yet.
"""
