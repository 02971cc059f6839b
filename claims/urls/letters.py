from django.urls import path

from claims.views import letters

CLAIM = "<site:site>/claim/<claim:claim>"

urlpatterns = [
    path(f"{CLAIM}/letter/new/", letters.letter_new, name="letter_new"),
    path(f"{CLAIM}/letter/<int:number>/", letters.letter, name="letter"),
    path(f"{CLAIM}/letter/<int:number>/send/", letters.letter_send, name="letter_send"),
    path(f"{CLAIM}/letter/<int:number>/again/", letters.letter_again, name="letter_again"),
    path(f"{CLAIM}/letter/<int:number>/sent/", letters.letter_mark, name="letter_mark"),
    path(f"{CLAIM}/letter/<int:number>/pdf/", letters.letter_pdf, name="letter_pdf"),
    path(f"{CLAIM}/send/", letters.claim_send, name="claim_send"),
    path(f"{CLAIM}/message/<uuid:uuid>/", letters.message_file, name="message_file"),
    path(f"{CLAIM}/message/<uuid:uuid>/came-back/", letters.bounce, name="message_bounce"),
]
