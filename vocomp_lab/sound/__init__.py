"""What a clip is: samples and a rate, how it is read and written, decibels, and settings that check themselves.

Nothing here knows what a compressor is. It imports from no other room.
"""
